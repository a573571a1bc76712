// The view "cut": a recording with several strokes; the ends of one are dragged, played, split, joined.

import { MIN_REGION_S, ROLE_LABELS } from '../constants.js';
import { engine } from '../playback/audio_engine.js';
import { button, consumeKey, el, hasModifier, isTyping } from '../shared/dom.js';
import { reportError } from '../shared/errors.js';
import { formatSeconds } from '../shared/format.js';
import { fetchBytes } from '../shared/http.js';
import { drawDetail, drawOverview } from './cut_canvas.js';
import { findAgain, limitsOf, nearestStroke, windowAround } from './cut_geometry.js';

const GRAB_PX = 16;                    // distance at which the pointer grabs an end
const LAST_S = .45;                    // played of an end
const NARROWEST_PX = 200;

const lastShown = new Map();           // recording -> {id, middle} of its stroke; outlives a remount

const fetchWave = async (hit, from, to) =>
  new Int8Array(await fetchBytes(`/api/wave/${hit.id}/${hit.stamp}/${from}-${to}`));

const xIn = (event, canvas) => event.clientX - canvas.getBoundingClientRect().left;

function makeFrameField(label, onFrame, sr) {
  return el('input', { type: 'number', step: '0.001', min: '0', 'aria-label': label, onchange: event => {
    const seconds = event.target.valueAsNumber;
    onFrame(Number.isFinite(seconds) ? Math.round(seconds * sr()) : null);
  } });
}

export function mount(root, live) {
  const view = root.querySelector('.view');
  const overview = el('canvas', { class: 'overview', 'aria-hidden': 'true' });
  const detail = el('canvas', { class: 'detail', role: 'img' });
  const heading = el('b', { 'aria-live': 'polite' }), description = el('span', { class: 'why' });
  // window, ends: frames that are shown, and of the stroke; caret: where it would be split;
  // draggedEnd: 0 or 1; playsNext: after the server has applied a change.
  const state = { data: null, index: 0, overview: null, detail: null, window: [0, 1], ends: [0, 0],
    caret: null, draggedEnd: null, playsNext: false };
  const stroke = () => state.data.strokes[state.index];
  const toSeconds = frame => frame / state.data.sr;
  const shortest = () => Math.ceil(MIN_REGION_S * state.data.sr);   // frames
  const send = action => live.c.setTriggerValue('action', { ...action, id: stroke().id, at_ms: Date.now() });

  const play = part => engine.play(stroke(), part);
  const playEnd = () => {
    const seconds = toSeconds(stroke().stop - stroke().start), from = Math.max(0, seconds - LAST_S);
    play({ from, seconds: seconds - from });
  };
  const choose = async (index, { plays = true } = {}) => {
    state.index = Math.max(0, Math.min(state.data.strokes.length - 1, index));
    state.caret = null;
    await show();
    if (plays) play();
  };

  const moveEnd = (side, frame) => {   // as far as its limits allow
    const { data: { strokes, n_frames: nFrames }, index, ends } = state;
    const [low, high] = limitsOf(side, { strokes, index, ends, nFrames, shortest: shortest() });
    ends[side] = Math.max(low, Math.min(high, frame));
  };
  const resetEnds = () => { state.ends = [stroke().start, stroke().stop]; draw(); };
  const commit = () => {
    const [start, stop] = state.ends;
    draw();
    if (start === stroke().start && stop === stroke().stop) return;
    state.playsNext = true;
    send({ op: 'move', start, stop });
  };
  const setEnd = side => frame => {    // null: no number was typed; the old one is drawn again
    if (frame !== null) moveEnd(side, frame);
    commit();
  };

  const titled = (text, onclick, title = text) => button(text, onclick, { title });
  const earlier = titled('‹', () => choose(state.index - 1), 'Previous stroke');
  const later = titled('›', () => choose(state.index + 1), 'Next stroke');
  const fields = ['Start, seconds', 'End, seconds']
    .map((label, side) => makeFrameField(label, setEnd(side), () => state.data.sr));
  const split = titled('Split here', () => send({ op: 'split', at: state.caret }),
    'Split the stroke where you last clicked');
  const merge = titled('Merge with the next',
    () => send({ op: 'merge', ids: [stroke().id, state.data.strokes[state.index + 1].id] }));
  const reset = titled('Reset the regions', () => send({ op: 'reset' }),
    'Discard all manual changes in this recording');
  const listen = titled('Play', () => play());
  listen.classList.add('main');
  view.tabIndex = 0;
  view.setAttribute('aria-label', 'Regions of a recording: space plays, arrows move from stroke to stroke');
  view.replaceChildren(overview,
    el('div', { class: 'actions which' }, earlier, heading, later, description), detail,
    el('div', { class: 'actions' }, listen, titled('Play its end', playEnd),
      el('label', {}, 'from ', fields[0], ' s'), el('label', {}, 'to ', fields[1], ' s')),
    el('div', { class: 'actions' }, split, merge, reset));

  const draw = () => {
    if (!state.data) return;
    const width = Math.max(NARROWEST_PX, view.clientWidth - 2);
    drawOverview(overview, state, width);
    drawDetail(detail, state, width);
    fields.forEach((field, side) => {
      field.value = toSeconds(state.ends[side]).toFixed(4).replace(/0$/, '');
    });
    split.disabled = state.caret === null;
  };
  const describe = () => {
    const { id, role, start, stop } = stroke(), number = state.index + 1;
    heading.textContent = `Stroke ${number} of ${state.data.strokes.length}`;
    description.textContent = `hit ${id}, ${ROLE_LABELS[role]}, ${formatSeconds(toSeconds(stop - start))}`;
    detail.setAttribute('aria-label',
      `Waveform of stroke ${number}, from ${toSeconds(start).toFixed(3)} to ${toSeconds(stop).toFixed(3)} s`);
    earlier.disabled = state.index === 0;
    later.disabled = merge.disabled = number >= state.data.strokes.length;
  };
  const show = async () => {
    const shown = stroke(), { recording, sr, n_frames: nFrames } = state.data;
    state.window = windowAround(shown, { sr, nFrames });
    state.detail = null;
    lastShown.set(recording, { id: shown.id, middle: (shown.start + shown.stop) / 2 });
    describe();
    resetEnds();
    try {
      const wave = await fetchWave(shown, ...state.window);
      if (stroke() !== shown) return;
      state.detail = wave;
      draw();
    } catch (error) { reportError(error); }
  };

  const xOf = frame => (frame - state.window[0]) / (state.window[1] - state.window[0]) * detail.clientWidth;
  const frameAt = x =>
    Math.round(state.window[0] + x / detail.clientWidth * (state.window[1] - state.window[0]));
  const endAt = x => {                 // the end that the pointer would take, or null
    const distances = state.ends.map(frame => Math.abs(xOf(frame) - x));
    const side = distances[1] < distances[0] ? 1 : 0;
    return distances[side] <= GRAB_PX ? side : null;
  };
  const placeCaret = frame => {        // and play from there
    const { start, stop } = stroke(), isInside = frame >= start + shortest() && frame <= stop - shortest();
    state.caret = isInside ? frame : null;
    draw();
    if (isInside) play({ from: toSeconds(frame - start) });
  };
  overview.addEventListener('click', event => {
    const frame = xIn(event, overview) / overview.clientWidth * state.data.n_frames;
    choose(nearestStroke(state.data.strokes, frame));
  });
  detail.addEventListener('pointerdown', event => {
    const x = xIn(event, detail);
    state.draggedEnd = endAt(x);
    if (state.draggedEnd === null) placeCaret(frameAt(x));
    else detail.setPointerCapture(event.pointerId);
  });
  detail.addEventListener('pointermove', event => {
    const x = xIn(event, detail), isOnEnd = state.draggedEnd !== null || endAt(x) !== null;
    detail.style.cursor = isOnEnd ? 'ew-resize' : 'text';
    if (state.draggedEnd === null) return;
    moveEnd(state.draggedEnd, frameAt(x));
    draw();
  });
  const endDrag = then => () => {
    if (state.draggedEnd === null) return;
    state.draggedEnd = null;
    then();
  };
  detail.addEventListener('pointerup', endDrag(commit));
  detail.addEventListener('pointercancel', endDrag(resetEnds));
  view.addEventListener('keydown', event => {
    if (isTyping(event) || hasModifier(event)) return;
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    const playsHit = event.key === ' ' && event.target.tagName !== 'BUTTON';
    if (!step && !playsHit) return;
    consumeKey(event);
    if (step) choose(state.index + step); else play();
  });

  const resize = new ResizeObserver(draw);
  resize.observe(view);
  const update = async data => {
    const contentOf = ({ recording, strokes }) => JSON.stringify([recording, strokes]);
    const isSame = state.data && contentOf(state.data) === contentOf(data), plays = state.playsNext;
    state.data = data;
    state.playsNext = false;
    if (data.probe) globalThis.__cut = { state, detail, engine, xOf };
    if (isSame) {                      // a refused change: the ends go back to where they were
      if (state.draggedEnd === null) resetEnds();
      return;
    }
    fetchWave(data.strokes[0], 0, data.n_frames)
      .then(wave => { state.overview = wave; draw(); }).catch(reportError);
    await choose(findAgain(data.strokes, lastShown.get(data.recording)), { plays });
  };
  return { update, stop: () => resize.disconnect() };
}
