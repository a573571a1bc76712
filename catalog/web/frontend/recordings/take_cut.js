// The view "cut": a recording with several strokes; the ends of one are dragged, heard, parted, joined.

import { WORDS } from '../constants.js';
import { tellTrouble, engine } from '../playback/audio_engine.js';
import { drawColumns } from '../review/overlay.js';
import { el, sizeCanvas, inkOf, accentOf, seconds, ownKey, typing } from '../shared/dom.js';

const ALL_HIGH = 52, NEAR_HIGH = 150, BARS_HIGH = 14;
const GRAB = 16;                       // pixels from an end at which the pointer takes it
const LEAST_S = .010;                  // a shorter stroke is refused
const AROUND = .25, AROUND_LEAST_S = .08;   // shown on both sides of a stroke, share of its length
const END_S = .45;                     // heard of an end
const CUT_CHOSEN = new Map();          // recording -> the stroke that is looked at; outlives a remount

async function loadWave(hit, from, to) {
  const answer = await fetch(`/api/wave/${hit.id}/${hit.stamp}/${from}-${to}`);
  if (!answer.ok) throw new Error(await answer.text());
  return new Int8Array(await answer.arrayBuffer());
}

export const mount = (root, live) => {
  const room = root.querySelector('.room'), all = el('canvas', { class: 'all', 'aria-hidden': 'true' });
  const near = el('canvas', { class: 'near', role: 'img' }), which = el('b', { 'aria-live': 'polite' });
  const words = el('span', { class: 'why' });
  const v = { data: null, at: 0, wave: null, whole: null, window: [0, 1], ends: [0, 0], caret: null, drag: null, hearNext: false };
  const one = () => v.data.strokes[v.at];
  const toS = frame => frame / v.data.sr, toFrame = s => Math.round(s * v.data.sr);
  const send = act => live.c.setTriggerValue('act', { ...act, id: one().id, at_ms: Date.now() });

  const hear = part => engine.play(one(), part);
  const hearEnd = () => { const s = toS(one().stop - one().start), from = Math.max(0, s - END_S); hear({ from, seconds: s - from }); };
  const choose = async (at, sounds) => {
    v.at = Math.max(0, Math.min(v.data.strokes.length - 1, at));
    v.caret = null;
    await show();
    if (sounds) hear();
  };
  const button = (text, deed, title) => el('button', { type: 'button', onclick: deed, title: title ?? text }, text);
  const earlier = button('‹', () => choose(v.at - 1, true), 'The stroke before'), later = button('›', () => choose(v.at + 1, true), 'The next stroke');
  const field = (label, k) => el('input', { type: 'number', step: '0.001', min: '0', 'aria-label': label,
    onchange: event => {
      const typed = event.target.valueAsNumber;
      if (Number.isFinite(typed)) { v.ends[k] = toFrame(typed); keepInside(k); }
      commit();                        // what is no number is drawn as it was
    } });
  const fields = [field('Begins at, seconds', 0), field('Ends at, seconds', 1)];
  const part = button('Part here', () => send({ op: 'part', at: v.caret }), 'Part the stroke where you last pressed');
  const join = button('Join with the next', () => send({ op: 'join', ids: [one().id, v.data.strokes[v.at + 1].id] }));
  const found = button('Cut as it was found', () => send({ op: 'found' }), 'Forget what was changed by hand in this recording');
  const listen = button('Hear it', () => hear());
  listen.classList.add('main');
  room.tabIndex = 0;
  room.setAttribute('aria-label', 'The cut of a recording: space plays, arrows go from stroke to stroke');
  room.replaceChildren(all, el('div', { class: 'deeds which' }, earlier, which, later, words), near,
    el('div', { class: 'deeds' }, listen, button('Hear its end', hearEnd), el('label', {}, 'from ', fields[0], ' s'), el('label', {}, 'to ', fields[1], ' s')),
    el('div', { class: 'deeds' }, part, join, found));

  // The least and the most that an end may be moved to: its neighbours, and its own other end.
  const limits = k => {
    const least = Math.ceil(LEAST_S * v.data.sr), before = v.data.strokes[v.at - 1], after = v.data.strokes[v.at + 1];
    return k ? [v.ends[0] + least, after ? after.start : v.data.n_frames] : [before ? before.stop : 0, v.ends[1] - least];
  };
  const keepInside = k => { const [low, high] = limits(k); v.ends[k] = Math.max(low, Math.min(high, v.ends[k])); };
  const commit = () => {
    draw();
    if (v.ends[0] === one().start && v.ends[1] === one().stop) return;
    v.hearNext = true;
    send({ op: 'move', start: v.ends[0], stop: v.ends[1] });
  };

  const xOf = (frame, canvas) => (frame - v.window[0]) / (v.window[1] - v.window[0]) * canvas.clientWidth;
  const frameOf = x => Math.round(v.window[0] + x / near.clientWidth * (v.window[1] - v.window[0]));
  const drawAll = width => {
    const g = sizeCanvas(all, width, ALL_HIGH + BARS_HIGH), scale = width / v.data.n_frames, accent = accentOf(room);
    g.clearRect(0, 0, width, ALL_HIGH + BARS_HIGH);
    if (v.whole) drawColumns(g, v.whole, width, ALL_HIGH, { color: inkOf(room) });
    v.data.strokes.forEach((s, k) => {
      const x = s.start * scale, wide = Math.max(2, (s.stop - s.start) * scale - 1), chosen = k === v.at;
      g.fillStyle = chosen ? accent : inkOf(room);
      g.globalAlpha = chosen ? 1 : .5;
      g.fillRect(x, ALL_HIGH + (chosen ? 2 : 5), wide, chosen ? 10 : 5);   // the chosen one is thicker too
    });
    g.globalAlpha = 1;
  };
  const drawNear = width => {
    const g = sizeCanvas(near, width, NEAR_HIGH), ink = inkOf(room), accent = accentOf(room);
    const [from, to] = v.ends.map(frame => (frame - v.window[0]) / (v.window[1] - v.window[0]) * width);
    g.clearRect(0, 0, width, NEAR_HIGH);
    g.fillStyle = getComputedStyle(room).getPropertyValue('--soft');
    g.fillRect(from, 0, to - from, NEAR_HIGH);
    if (v.wave) {
      g.globalAlpha = .4;
      drawColumns(g, v.wave, width, NEAR_HIGH, { color: ink });
      g.globalAlpha = 1;
      g.save();
      g.beginPath();
      g.rect(from, 0, to - from, NEAR_HIGH);
      g.clip();
      drawColumns(g, v.wave, width, NEAR_HIGH, { color: ink });
      g.restore();
    }
    g.fillStyle = g.strokeStyle = accent;
    [[from, 1], [to, -1]].forEach(([x, side]) => {   // a post with a flag that points into the stroke
      g.fillRect(x - 1, 0, 2, NEAR_HIGH);
      g.beginPath();
      g.moveTo(x, 0);
      g.lineTo(x + side * 13, 8);
      g.lineTo(x, 16);
      g.fill();
    });
    if (v.caret !== null) {
      const x = (v.caret - v.window[0]) / (v.window[1] - v.window[0]) * width;
      g.setLineDash([4, 4]);
      g.beginPath();
      g.moveTo(x, 0);
      g.lineTo(x, NEAR_HIGH);
      g.stroke();
      g.setLineDash([]);
    }
  };
  const draw = () => {
    if (!v.data) return;
    const width = Math.max(200, room.clientWidth - 2);
    drawAll(width);
    drawNear(width);
    fields.forEach((input, k) => { input.value = toS(v.ends[k]).toFixed(4).replace(/0$/, ''); });
    part.disabled = v.caret === null;
  };
  const show = async () => {
    const s = one(), length = s.stop - s.start, side = Math.round(Math.max(AROUND * length, AROUND_LEAST_S * v.data.sr));
    v.ends = [s.start, s.stop];
    v.window = [Math.max(0, s.start - side), Math.min(v.data.n_frames, s.stop + side)];
    CUT_CHOSEN.set(v.data.recording, { id: s.id, middle: (s.start + s.stop) / 2 });
    which.textContent = `Stroke ${v.at + 1} of ${v.data.strokes.length}`;
    words.textContent = `hit ${s.id}, ${WORDS.roles[s.role]}, ${seconds(toS(length))}`;
    near.setAttribute('aria-label', `Wave of stroke ${v.at + 1}, from ${toS(s.start).toFixed(3)} to ${toS(s.stop).toFixed(3)} s`);
    earlier.disabled = v.at === 0;
    later.disabled = join.disabled = v.at + 1 >= v.data.strokes.length;
    v.wave = null;
    draw();
    try {
      const wave = await loadWave(s, ...v.window);
      if (one() === s) { v.wave = wave; draw(); }
    } catch (error) { tellTrouble(error); }
  };

  const placeOf = (event, canvas) => event.clientX - canvas.getBoundingClientRect().left;
  all.addEventListener('click', event => {
    const frame = placeOf(event, all) / all.clientWidth * v.data.n_frames;
    const away = v.data.strokes.map(s => Math.max(s.start - frame, frame - s.stop, 0));
    choose(away.indexOf(Math.min(...away)), true);
  });
  const endAt = x => {
    const away = v.ends.map(frame => Math.abs(xOf(frame, near) - x)), k = away[1] < away[0] ? 1 : 0;
    return away[k] <= GRAB ? k : null;
  };
  near.addEventListener('pointerdown', event => {
    const x = placeOf(event, near);
    v.drag = endAt(x);
    if (v.drag !== null) {
      near.setPointerCapture(event.pointerId);
      return;
    }
    const frame = frameOf(x), least = Math.ceil(LEAST_S * v.data.sr);
    const inside = frame >= one().start + least && frame <= one().stop - least;
    v.caret = inside ? frame : null;
    draw();
    if (inside) hear({ from: toS(frame - one().start) });
  });
  near.addEventListener('pointermove', event => {
    const x = placeOf(event, near);
    near.style.cursor = endAt(x) === null && v.drag === null ? 'text' : 'ew-resize';
    if (v.drag === null) return;
    v.ends[v.drag] = frameOf(x);
    keepInside(v.drag);
    draw();
  });
  near.addEventListener('pointerup', () => { if (v.drag !== null) { v.drag = null; commit(); } });
  near.addEventListener('pointercancel', () => { if (v.drag !== null) { v.drag = null; v.ends = [one().start, one().stop]; draw(); } });
  room.addEventListener('keydown', event => {
    if (typing(event) || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    const deed = step ? () => choose(v.at + step, true) : event.key === ' ' && event.target.tagName !== 'BUTTON' ? () => hear() : null;
    if (deed) { ownKey(event); deed(); }
  });

  const watch = new ResizeObserver(draw);
  watch.observe(room);
  const update = async data => {
    const before = v.data && JSON.stringify([v.data.recording, v.data.strokes]);
    v.data = data;
    if (data.probe) globalThis.__cut = { v, near, engine, xOf: frame => xOf(frame, near) };
    if (before === JSON.stringify([data.recording, data.strokes])) {
      v.hearNext = false;              // refused: the ends go back to where they are
      if (v.drag === null) { v.ends = [one().start, one().stop]; draw(); }
      return;
    }
    const kept = CUT_CHOSEN.get(data.recording);
    const same = data.strokes.findIndex(s => s.id === kept?.id);
    const around = data.strokes.findIndex(s => s.start <= kept?.middle && kept?.middle < s.stop);
    const sounds = v.hearNext;
    v.hearNext = false;
    loadWave(data.strokes[0], 0, data.n_frames).then(wave => { v.whole = wave; draw(); }).catch(tellTrouble);
    await choose(same >= 0 ? same : Math.max(0, around), sounds);
  };
  return { update, stop() { watch.disconnect(); } };
};
