// The chosen hit: what it is, how it sounds, and one list of answers: other strokes of its drum, then hits
// that are like it. Several hits chosen together are handled in its place.

import { MARKS, ROLES, ROLE_LABELS, SLOT_LABELS } from '../constants.js';
import { makeConstraints } from './constraints.js';
import { MARK_KEYS, annotateMark, makeHitAnnotations } from './hit_annotations.js';
import { makeNumbers, makeRolePicker } from './hit_details.js';
import { makeMicrophones } from './microphones.js';
import { makeQueryFile } from './query_file.js';
import { accentColor, textColor } from '../drawing/canvas.js';
import { markIcon } from '../drawing/marks.js';
import { drawOutlines } from '../drawing/outlines.js';
import { drawSpectrogram } from '../drawing/spectrum.js';
import { drawOverlaidWaveforms, drawWaveform } from '../drawing/waveform.js';
import { engine } from '../playback/audio_engine.js';
import { UNMATCHED_DB, gainOf } from '../playback/gain.js';
import { transport } from '../playback/transport.js';
import { MARK_SIGNS, annotate } from '../shared/annotations.js';
import { button, consumeKey, el, options } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { fetchJson } from '../shared/http.js';
import { makeAnswers } from './answers.js';
import { slotFor } from '../workbench/kit_bar.js';
import { lastParts } from '../find/sessions.js';

const MAX_SOUND_WAIT_MS = 50;          // the sound is fetched first, but the answers do not wait longer
const PADDING_PX = 24;                 // of the pane
const WAVE_HEIGHT = 56, SPECTROGRAM_HEIGHT = 60;   // CSS pixels
const ANSWER_KEYS = '1234567890qwertyuiop';
const FROM = { anywhere: 'anywhere', elsewhere: 'other sessions', session: 'this session' };
const HELP = 'Rest the pointer on a hit to hear it, press it to choose it. Arrow keys go from hit to hit, '
  + 'Escape stops every sound.';

const describeOrigin = hit => [lastParts([hit.session ?? ''])[0], hit.drum, hit.microphone,
  hit.take && `take ${hit.take}`].filter(Boolean).join(' · ');

function makeSlotPicker(hit, put, wanted) {
  const slots = el('select', { 'aria-label': 'Slot in the kit' }, ...options(SLOT_LABELS));
  slots.value = wanted?.slot ?? slotFor(hit.role) ?? slots.options[0].value;
  return el('span', { class: 'together' }, button('Put in kit', () => put(slots.value, [hit])), slots);
}

// The waveform and the spectrogram; while two hits are compared, both waveforms.
function makePictures(box) {
  const wave = el('canvas', { role: 'img', 'aria-label': 'Waveform' });
  const spectrogram = el('canvas', { role: 'img', 'aria-label': 'Spectrum over time, 40 Hz to 16 kHz' });
  const caption = el('p', { class: 'axis' });
  let ticket = 0;
  const draw = async (hit, pair) => {
    const mine = ++ticket, width = Math.max(120, box.clientWidth - PADDING_PX);
    try {
      const buffers = await Promise.all((pair ?? [hit]).map(engine.load));
      if (mine !== ticket) return;
      if (pair) {
        const layers = pair.map((one, k) => ({ buffer: buffers[k], hollow: k === 1,
          gain: gainOf(one.match_db ?? UNMATCHED_DB), color: k ? textColor(box) : accentColor(box) }));
        drawOverlaidWaveforms(wave, layers, width, WAVE_HEIGHT);
        caption.replaceChildren('A filled: ', el('bdi', {}, pair[0].name), '; B as a line: ',
          el('bdi', {}, pair[1].name));
      } else {
        drawWaveform(wave, buffers[0], width, WAVE_HEIGHT);
        drawSpectrogram(spectrogram, buffers[0], width, SPECTROGRAM_HEIGHT);
        caption.replaceChildren('waveform; spectrum 40 Hz to 16 kHz, first 0.6 s');
      }
    } catch (error) { if (mine === ticket) caption.replaceChildren(error.message); }
  };
  return { box: el('div', { class: 'pictures' }, wave, spectrogram, caption), draw };
}

// on: {choose(id), put(slot, hits), notice(text)}; picked: {box, show(ids)}, for several hits
function build(box, { state, on, picked }) {
  const pane = { shown: null, near: null, answers: [], shownFor: null, shownConstraints: '', shownAt: 0 };
  const onError = error => on.notice(error.message);
  const constraints = makeConstraints(() => reload());
  const from = el('select', { 'aria-label': 'From', onchange: () => reload() }, ...options(FROM));
  const answersBox = el('div', { class: 'answers' }), content = el('div', { class: 'chosen-content' });
  const queryFile = makeQueryFile({ show: hit => showFile(hit), status: on.notice });
  let ticket = 0, marks = null, pictures = null;
  box.setAttribute('role', 'complementary');
  box.setAttribute('aria-label', 'Chosen hit');
  box.replaceChildren(picked.box, content);
  box.pane = pane;

  const fetchNear = hit => {
    const path = hit.outside ? `/api/outside/${hit.outside}/near` : `/api/near/${hit.id}`;
    return fetchJson(`${path}?from=${from.value}&but=${[...constraints.words].join(',')}`);
  };
  const fillAnswers = near => {
    pane.near = near;
    pane.answers = [...near.alternates, ...near.similar];
    answersBox.replaceChildren(...makeAnswers(near, { keys: ANSWER_KEYS, isOutside: pane.shown.outside,
      isElsewhere: from.value === 'elsewhere',
      on: { ...on, compare: hit => transport.compare(pane.shown, hit) } }));
    drawOutlines(answersBox);
    engine.prefetch(pane.answers);
    pane.shownConstraints = [...constraints.words].join(',');
  };
  const reload = async () => {         // after a change of the wishes
    const mine = ++ticket;
    if (!pane.shown) return;
    try {
      const near = await fetchNear(pane.shown);
      if (mine === ticket) fillAnswers(near);
    } catch (error) { onError(error); }
  };
  const changeRole = hit => role =>
    annotate([hit.id], { role }, `${hit.name}: ${ROLE_LABELS[role] ?? 'automatic role'}`).catch(onError);
  const describeWhat = hit => {
    if (hit.outside) {
      marks = null;
      const text = `A file outside the catalog; it sounds like: ${ROLE_LABELS[hit.role]}`;
      return [el('p', { class: 'none' }, text)];
    }
    marks = makeHitAnnotations(hit, onError);
    return [makeRolePicker(hit, changeRole(hit)), marks.box];
  };
  const showMicrophone = mic => {
    transport.play(mic);
    pictures.draw(mic);
  };
  const fill = (hit, near) => {
    pane.shown = hit;
    pictures = makePictures(box);
    content.replaceChildren(
      el('h2', { title: hit.name }, markIcon(hit.role), el('bdi', {}, hit.name)),
      el('p', { class: 'origin', title: hit.session ?? '' }, el('bdi', {}, describeOrigin(hit))),
      el('div', { class: 'actions' }, button('Play', () => transport.play(hit), { class: 'main' }),
        hit.outside ? '' : makeSlotPicker(hit, on.put, state.wanted)),
      makeMicrophones(hit, showMicrophone), pictures.box, ...describeWhat(hit), constraints.box,
      el('label', { class: 'from' }, 'from ', from), answersBox,
      el('details', {}, el('summary', {}, 'Numbers'), makeNumbers(hit)), queryFile.box);
    fillAnswers(near);
    pictures.draw(hit, transport.pair);
    pane.shownFor = hit.id;
    pane.shownAt = performance.now();
  };
  const showHelp = () => {
    pane.shown = null;
    content.replaceChildren(el('h2', {}, 'No hit chosen'), el('p', { class: 'none' }, HELP),
      el('p', { class: 'none' }, 'Or start from a recording that is not in the catalog: drop it anywhere. '),
      queryFile.box);
  };
  const showFile = async hit => {
    const mine = ++ticket;
    constraints.clear();
    const near = await fetchNear(hit);
    if (mine !== ticket) return;
    state.change({ chosen: null, picked: new Set() });
    fill(hit, near);
    on.notice('');
    transport.play(hit);
  };
  pane.searchFrom = queryFile.search;
  const show = async ({ again = false } = {}) => {
    const id = state.chosen;
    if (id === null || (id === pane.shown?.id && !again)) return;
    if (id !== pane.shown?.id) constraints.clear();
    const mine = ++ticket, hit = state.hitOf(id);
    try {
      const waited = new Promise(done => setTimeout(done, MAX_SOUND_WAIT_MS));
      if (hit) await Promise.race([engine.loadQuietly(hit), waited]);
      if (mine !== ticket) return;
      const [about, near] = await Promise.all([fetchJson(`/api/about/${id}`), fetchNear({ id })]);
      if (mine === ticket) fill(about, near);
    } catch (error) {
      if (mine !== ticket) return;
      pane.shown = null;
      content.replaceChildren(el('p', { class: 'none' }, `This hit cannot be shown: ${error.message}`));
    }
  };
  pane.applyAnnotations = changed => { // [[id, role, mark], ...] by their numbers
    for (const [id, role, mark] of changed) {
      box.querySelectorAll(`[data-mark-of="${id}"]`)
        .forEach(node => { node.textContent = MARK_SIGNS[MARKS[mark]]; });
      if (pane.shown?.id !== id) continue;
      marks?.showMark(MARKS[mark]);
      if (pane.shown.role !== ROLES[role]) show({ again: true });
    }
  };
  const handleMarkKey = event => {
    if (!event.shiftKey || !(event.key in MARK_KEYS)) return false;
    const hit = pane.hitOfRow(event.target.closest?.('[data-hit]')) ?? pane.shown;
    consumeKey(event);
    if (hit && !hit.outside) annotateMark(hit, MARK_KEYS[event.key]).catch(onError);
    return true;
  };
  const handleAnswerKey = event => {   // arrows, with an answer in focus
    const row = event.target.closest?.('.row'), hit = pane.hitOfRow(row);
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!hit) return false;
    if (event.key === 'ArrowRight') on.choose(hit.id);
    else if (event.key === 'ArrowLeft') transport.compare(pane.shown, hit);
    else if (!step) return false;
    else {
      const rows = [...box.querySelectorAll('.row')], next = rows[rows.indexOf(row) + step];
      next?.focus();
      next?.click();
    }
    consumeKey(event);
    return true;
  };
  pane.hitOfRow = node => {
    const id = Number(node?.dataset.hit);
    return node ? pane.answers.find(hit => hit.id === id) ?? state.hitOf(id) : undefined;
  };
  pane.handleKey = event => {
    if (handleMarkKey(event) || handleAnswerKey(event)) return true;
    const hit = event.key === '.' ? pane.shown : pane.answers[ANSWER_KEYS.indexOf(event.key)];
    if (!hit || event.shiftKey) return false;
    consumeKey(event);
    transport.play(hit);
    return true;
  };
  let pair = null;
  const unsubscribe = [
    state.subscribe(['chosen'], () => show()), state.subscribe(['columns'], () => show({ again: true })),
    state.subscribe(['picked'], () => picked.show([...state.picked])),
    transport.subscribe(() => {
      if (transport.pair === pair || !pane.shown) return;
      pair = transport.pair;
      pictures.draw(pane.shown, pair);
    })];
  showHelp();
  show();
  return () => unsubscribe.forEach(end => end());
}

export const makeChosenPane = defineElement('chosen-hit', build);
