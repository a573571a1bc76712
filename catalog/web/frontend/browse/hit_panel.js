// The chosen hit beside the map: its details and annotations, and lists of hits that are like it.

import { MARKS, ROLES, ROLE_LABELS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { drawOutlines } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { MARK_SIGNS, annotate } from '../shared/annotations.js';
import { button, consumeKey, el } from '../shared/dom.js';
import { describeOrigin } from '../shared/format.js';
import { fetchJson } from '../shared/http.js';
import { makeComparison } from './comparison.js';
import { makeConstraints } from './constraints.js';
import { MARK_KEYS, annotateMark, makeHitAnnotations } from './hit_annotations.js';
import { makeNumbers, makePictures, makeRolePicker, makeSlotPicker } from './hit_details.js';
import { makeHitList } from './hit_rows.js';
import { makeQueryFile } from './query_file.js';

const MAX_SOUND_WAIT_MS = 50;          // the sound is fetched first, but the lists do not wait longer
const PADDING = 26;                    // CSS pixels left and right of the pictures
const ALTERNATE_KEYS = '1234567890', SIMILAR_KEYS = 'qwertyuiop';
const HELP = 'Move the pointer over a mark to play it, click to choose it. With the map in focus, arrow keys '
  + 'move from hit to hit and space plays again. Hits like the chosen one are listed here.';
const NO_LISTS = { hit: null, alternates: [], similar: [] };

// on: {choose(id), assign(slot, id), load(id) -> Promise of its sound, status(text)}
export function makeHitPanel(on) {
  const box = el('section', { class: 'chosen', 'aria-label': 'The chosen hit' });
  const numbers = el('div', { 'aria-label': 'Measurements of the chosen hit' });
  const similarBox = el('div', { class: 'similar' });
  const comparison = makeComparison(), constraints = makeConstraints(() => reloadSimilar());
  const panel = { box, numbers, comparison, id: null, shownFor: null, shown: NO_LISTS };
  const onError = error => on.status(error.message);
  let ticket = 0, otherSessions = false, marks = null;
  const queryFile = makeQueryFile({ show: hit => showQueryFile(hit), status: on.status });
  queryFile.acceptDrops(box);
  const rowActions = { choose: on.choose, compare: hit => comparison.show(panel.shown.hit, hit) };

  const words = () => [...constraints.words];
  const fetchNear = ({ id, outside }) => {
    const path = outside ? `/api/outside/${outside}/near` : `/api/near/${id}`;
    return fetchJson(`${path}?elsewhere=${otherSessions ? 1 : 0}&but=${words().join(',')}`);
  };
  const fillSimilar = near => {
    const hint = words().length ? `but ${words().join(', ')}` : 'from any session';
    const empty = near.notice || undefined;
    similarBox.replaceChildren(
      makeHitList('Similar', { hint, hits: near.similar, keys: SIMILAR_KEYS, empty }, rowActions),
      near.notice && near.similar.length ? el('p', { class: 'none' }, near.notice) : '');
    panel.shown.similar = near.similar;
    drawOutlines(similarBox);
    engine.prefetch(near.similar);
  };
  const reloadSimilar = async () => {  // after a change of what they must be like
    const { hit } = panel.shown, mine = ++ticket;
    if (!hit) return;
    try {
      const near = await fetchNear(hit);
      if (mine !== ticket) return;
      fillSimilar(near);
      panel.shownConstraints = words().join(',');
    } catch (error) { onError(error); }
  };

  const makeOtherSessions = () => {
    const tick = el('input', { type: 'checkbox', checked: otherSessions, onchange: () => {
      otherSessions = tick.checked;
      reloadSimilar();
    } });
    return el('label', { class: 'tick' }, tick, 'other sessions only');
  };
  const changeRole = hit => role =>
    annotate([hit.id], { role }, `${hit.name}: ${ROLE_LABELS[role]}`).catch(onError);
  const catalogParts = (hit, near) => {   // [beside the play button, below it, the alternates]
    if (hit.outside) {
      marks = null;
      return [el('span', { class: 'none' }, `sounds like: ${ROLE_LABELS[hit.role]}`), '', ''];
    }
    marks = makeHitAnnotations(hit, onError);
    const annotations = el('div', {}, marks.box, makeRolePicker(hit, changeRole(hit)));
    return [makeSlotPicker(hit, on.assign), annotations,
      makeHitList('Alternates', { hint: 'likely strokes of the same drum', hits: near.alternates,
        keys: ALTERNATE_KEYS }, rowActions)];
  };
  const fill = (hit, near) => {
    comparison.hide();
    panel.shown = { hit, alternates: near.alternates, similar: near.similar };
    const pictures = makePictures(), [assigning, annotating, alternates] = catalogParts(hit, near);
    const origin = hit.outside ? 'a file outside the catalog' : describeOrigin(hit) || 'origin unknown';
    box.replaceChildren(
      el('h2', { dir: 'auto' }, markIcon(hit.role), hit.name),
      el('p', { class: 'origin', dir: 'auto' }, origin), pictures.box,
      el('div', { class: 'actions' }, button('Play', () => engine.play(hit), { class: 'main' }), assigning,
        queryFile.box),
      annotating, comparison.box, alternates, constraints.box, makeOtherSessions(), similarBox);
    numbers.replaceChildren(makeNumbers(hit));
    fillSimilar(near);
    pictures.draw(hit, Math.max(120, box.clientWidth - PADDING), () => panel.shown.hit === hit);
    drawOutlines(box);
    engine.prefetch(near.alternates);
    panel.shownFor = hit.id;
    panel.shownAt = performance.now();
  };

  const showQueryFile = async hit => {
    const mine = ++ticket;
    panel.id = null;
    constraints.clear();
    const near = await fetchNear(hit);
    if (mine !== ticket) return;
    fill(hit, near);
    on.status('');
    engine.play(hit);
  };
  panel.show = async (id, { reload = false } = {}) => {
    if (id === panel.id && !reload) return;
    if (id !== panel.id) constraints.clear();
    panel.id = id;
    const mine = ++ticket;
    if (id === null || id === undefined) { showHelp(); return; }
    try {
      await Promise.race([on.load(id), new Promise(done => setTimeout(done, MAX_SOUND_WAIT_MS))]);
      if (mine !== ticket) return;
      const [hit, near] = await Promise.all([fetchJson(`/api/about/${id}`), fetchNear({ id })]);
      if (mine === ticket) fill(hit, near);
    } catch (error) {
      if (mine !== ticket) return;
      box.replaceChildren(el('p', { class: 'none' }, `This hit cannot be shown: ${error.message}`));
    }
  };
  const showHelp = () => {
    numbers.replaceChildren();
    comparison.hide();
    panel.shown = NO_LISTS;
    box.replaceChildren(el('h2', {}, 'Choose a hit'), el('p', { class: 'none' }, HELP),
      el('p', { class: 'none' }, 'Or start from a recording that is not in the catalog: drop it here. '),
      queryFile.box);
  };

  const listedHits = () => [...panel.shown.alternates, ...panel.shown.similar];
  panel.applyAnnotations = changed => {   // [[id, role, mark], ...] by their numbers
    for (const [id, role, mark] of changed) {
      const word = MARKS[mark], { hit } = panel.shown;
      box.querySelectorAll(`[data-mark-of="${id}"]`)
        .forEach(node => { node.textContent = MARK_SIGNS[word]; });
      listedHits().filter(listed => listed.id === id).forEach(listed => { listed.mark = word; });
      if (hit?.id !== id) continue;
      marks?.showMark(word);
      if (hit.role !== ROLES[role]) panel.show(id, { reload: true });
    }
  };

  const focusedRow = event => event.target.closest?.('.row');
  panel.hitOfRow = node =>
    [...listedHits(), panel.shown.hit].find(hit => hit?.id === Number(node?.dataset.id));
  const handleMarkKey = event => {     // shift and a letter mark the row in focus, else the chosen hit
    if (!event.shiftKey || !(event.key in MARK_KEYS)) return false;
    const hit = panel.hitOfRow(focusedRow(event)) ?? panel.shown.hit;
    consumeKey(event);
    if (!hit.outside) annotateMark(hit, MARK_KEYS[event.key]).catch(onError);
    return true;
  };
  const handleRowKey = event => {      // arrows, with a row in focus
    const row = focusedRow(event), hit = panel.hitOfRow(row), step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!hit) return false;
    if (event.key === 'ArrowRight') on.choose(hit.id);
    else if (event.key === 'ArrowLeft') rowActions.compare(hit);
    else if (!step) return false;
    else {
      const rows = [...box.querySelectorAll('.row')], next = rows[rows.indexOf(row) + step];
      next?.focus();
      next?.click();
    }
    consumeKey(event);
    return true;
  };
  // Digits play the alternates, the letters below them the similar hits, a full stop the chosen one.
  const hitOfKey = key => {
    if (key === '.') return panel.shown.hit;
    const { alternates, similar } = panel.shown;
    return alternates[ALTERNATE_KEYS.indexOf(key)] ?? similar[SIMILAR_KEYS.indexOf(key)];
  };
  panel.handleKey = event => {
    if (!panel.shown.hit) return false;
    if (comparison.handleKey(event) || handleMarkKey(event) || handleRowKey(event)) return true;
    const hit = hitOfKey(event.key);
    if (!hit) return false;
    consumeKey(event);
    engine.play(hit);
    return true;
  };
  panel.end = comparison.hide;
  showHelp();
  return panel;
}
