// Hits selected together: played one after the other, marked, tagged, given a role; all can be undone.

import { MAX_TAG, ROLES, ROLE_LABELS } from '../constants.js';
import { playingOrder } from '../map/spatial_index.js';
import { engine } from '../playback/audio_engine.js';
import { MARK_SIGNS, annotate } from '../shared/annotations.js';
import { button, consumeKey, el, options } from '../shared/dom.js';
import { cleanTag, makeUndoButton } from './hit_annotations.js';

const MAX_PLAY_S = .9;                 // of each hit when many are played
const PAUSE_S = .12;                   // before the next one
const N_AHEAD = 6;                     // hits loaded ahead of the one that plays
const MAX_ROLES_NAMED = 4;             // in the heading
const MARKED = { master: 'marked master', spare: 'marked spare', 'no-good': 'marked no good', '': 'mark removed' };

const UNREADABLE = 'One hit could not be read; its file may no longer exist.';

const countHits = n => `${n.toLocaleString('en')} ${n === 1 ? 'hit' : 'hits'}`;
const wait = s => new Promise(done => setTimeout(done, 1000 * s));

function describeRoles(roles) {        // role numbers, as "12 Kick, 3 Snare"
  const counts = new Map();
  for (const role of roles) counts.set(role, (counts.get(role) ?? 0) + 1);
  const parts = [...counts].sort((a, b) => b[1] - a[1])
    .map(([role, n]) => `${n} ${ROLE_LABELS[ROLES[role]]}`);
  return parts.slice(0, MAX_ROLES_NAMED).join(', ') + (parts.length > MAX_ROLES_NAMED ? ' …' : '');
}

// Plays the rows of a selection in order, from where it was stopped.
function makeSequence(map, { name, onError, show }) {
  const sequence = { rows: [], position: 0, isPlaying: false };
  let ticket = 0;
  const setHovered = row => { map.hoveredRow = row; map.drawOverlay(); };
  sequence.stop = () => {
    ticket += 1;
    sequence.isPlaying = false;
    setHovered(-1);
    show();
  };
  sequence.set = rows => {
    sequence.stop();
    Object.assign(sequence, { rows, position: 0 });
    show('');
  };
  const showPosition = (row, mine) => {
    const place = `${sequence.position + 1} of ${sequence.rows.length}`;
    show(place);
    name(map.points.ids[row]).then(text => {
      if (mine === ticket && map.hoveredRow === row) show(`${place}: ${text}`);
    }, () => {});
  };
  const playRow = async row => {       // false if the user plays something else meanwhile
    await engine.play(map.hitAt(row));
    const { nStarts } = engine;
    await wait(Math.min(engine.lastStart.seconds, MAX_PLAY_S) + PAUSE_S);
    return engine.nStarts === nStarts;
  };
  sequence.play = async () => {
    const mine = ++ticket;
    sequence.isPlaying = true;
    for (; sequence.position < sequence.rows.length; sequence.position++) {
      const row = sequence.rows[sequence.position];
      sequence.rows.slice(sequence.position + 1, sequence.position + 1 + N_AHEAD)
        .forEach(next => engine.loadQuietly(map.hitAt(next)));
      setHovered(row);
      showPosition(row, mine);
      let isAlone = true;
      try { isAlone = await playRow(row); } catch { onError(new Error(UNREADABLE)); }
      if (mine !== ticket) return;
      if (!isAlone) { sequence.position += 1; sequence.stop(); return; }
    }
    sequence.set(sequence.rows);
  };
  return sequence;
}

function makeTagField(change) {
  const field = el('input', { type: 'text', maxLength: MAX_TAG, placeholder: 'a tag for all',
    'aria-label': 'Tag for all selected hits', onkeydown: event => {
      if (event.key !== 'Enter') return;
      consumeKey(event);
      apply('add');
    } });
  const apply = way => {
    const tag = cleanTag(field.value);
    if (!tag) { field.focus(); return; }
    change({ [way]: [tag] }, way === 'add' ? `tagged ${tag}` : `tag ${tag} removed`);
    field.value = '';
  };
  return el('span', { class: 'together' }, field, button('Tag', () => apply('add')),
    button('Untag', () => apply('drop')));
}

function makeRoleField(change) {
  const field = el('select', { 'aria-label': 'Role for all selected hits', onchange: () => {
    if (field.value) change({ role: field.value }, `role ${ROLE_LABELS[field.value]}`);
    field.value = '';
  } }, el('option', { value: '' }, 'role for all …'), ...options(ROLE_LABELS));
  return field;
}

// on: {name(id) -> Promise of text, error(error), released()}
export function makeSelection(map, on) {
  const box = el('section', { class: 'selection hidden', 'aria-label': 'Selected hits' });
  const heading = el('h3', { 'aria-live': 'polite' }), place = el('span', { class: 'none at', dir: 'auto' });
  const play = button('Play in order', () => sequence.isPlaying ? sequence.stop() : sequence.play(),
    { class: 'main' });
  const show = text => {
    if (text !== undefined) place.textContent = text;
    play.textContent = sequence.isPlaying ? 'Stop' : sequence.position > 0 ? 'Continue' : 'Play in order';
  };
  const sequence = makeSequence(map, { name: on.name, onError: on.error, show });
  const selection = { box, sequence };
  selection.ids = () => sequence.rows.map(row => map.points.ids[row]);

  const change = (values, text) => annotate(selection.ids(), values,
    `${countHits(sequence.rows.length)}: ${text}`).catch(on.error);
  const drawHeading = () => {
    const { rows } = sequence, roles = rows.map(row => map.points.role[row]);
    heading.textContent = `${countHits(rows.length)} selected: ${describeRoles(roles)}`;
    box.classList.toggle('hidden', !rows.length);
  };
  selection.select = rows => {
    sequence.set(playingOrder(map.points, rows, map.points.scales[map.view.color]));
    if (!rows.length) map.dropLine();
    drawHeading();
  };
  selection.release = () => { selection.select([]); on.released(); };
  selection.applyAnnotations = () => { if (sequence.rows.length) drawHeading(); };
  selection.restore = ids => {         // after other points came: the same hits by their ids
    if (!ids.length) return;
    sequence.stop();
    sequence.rows = ids.map(id => map.points.rowOf.get(id)).filter(row => row !== undefined);
    drawHeading();
  };
  selection.stop = sequence.stop;

  box.addEventListener('keydown', event => {
    if (event.key !== 'Escape') return;
    consumeKey(event);
    selection.release();
    map.front.focus();
  });
  const marks = Object.entries(MARKED).map(([mark, done]) =>
    button(MARK_SIGNS[mark] || 'no mark', () => change({ mark }, done), { 'data-mark': mark }));
  box.append(heading, el('div', { class: 'actions' }, play, place),
    el('div', { class: 'actions' }, ...marks, makeRoleField(change), makeTagField(change),
      makeUndoButton(on.error), button('Clear selection', selection.release, { title: 'Escape' })));
  return selection;
}
