// The view "faults": what is wrong with hits, each with its place on the waveform, played and dismissed.

import { accentColor } from '../drawing/canvas.js';
import { drawOutline, loadOutlines } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { button, el } from '../shared/dom.js';
import { detailLine, makePlayRow } from '../shared/play_row.js';

const AROUND_S = .12;                  // played before and after a fault
const SHORTEST_S = .4;                 // that is played
const WIDTH = 220, HEIGHT = 40;        // CSS pixels of an outline
const NARROWEST_PX = 2, CAP_PX = 7;    // of the frame around a fault, and of the cap on it

function drawFault(canvas, fault) {
  const { length_s, from_s, to_s } = fault;
  drawOutline(canvas, fault, WIDTH, HEIGHT);
  if (!length_s || (from_s === 0 && to_s === 0)) return;   // it concerns the whole file
  const context = canvas.getContext('2d'), x = from_s / length_s * WIDTH;
  const width = Math.max(NARROWEST_PX, (to_s - from_s) / length_s * WIDTH);
  context.strokeStyle = context.fillStyle = accentColor(canvas);
  context.lineWidth = 1.5;
  context.strokeRect(Math.min(x, WIDTH - 3), 1, Math.min(width, WIDTH - x), HEIGHT - 2);
  context.fillRect(x - 3, 0, CAP_PX, 3);   // so that the place is found without color
}

function playFault(fault) {
  const from = Math.max(0, fault.from_s - AROUND_S);
  return engine.play(fault, { from, seconds: Math.max(SHORTEST_S, fault.to_s - from + AROUND_S) });
}

function makeRow(fault, dismiss) {
  const { name, what } = fault, origin = `${name}, ${fault.session || 'unknown session'}`;
  const verdict = fault.dismissed ? 'Restore' : 'Dismiss';
  return el('li', { class: fault.dismissed ? 'fault dismissed' : 'fault' },
    makePlayRow(fault, [el('b', {}, what), detailLine(fault.where), detailLine(origin,
      { class: 'why name', dir: 'auto' })], { size: [WIDTH, HEIGHT] }),
    el('div', { class: 'actions' },
      button('Play the fault', () => playFault(fault),
        { title: 'Play the fault', 'aria-label': `Play the fault in ${name}` }),
      button(verdict, () => dismiss(fault),
        { title: fault.advice, 'aria-label': `${verdict}: ${what}, ${name}` })));
}

export function mount(root, live) {
  const list = el('ol', { class: 'faults', 'aria-label': 'Faults of hits' });
  root.querySelector('.view').replaceChildren(list);
  let shown = '';
  const dismiss = ({ id, kind, dismissed }) => live.c.setTriggerValue('action',
    { op: dismissed ? 'undismiss' : 'dismiss', id, kind, at: Date.now() });
  const update = async ({ rows, probe }) => {
    const state = JSON.stringify(rows);
    if (probe) globalThis.__faults = { engine, list };
    if (state === shown) return;
    shown = state;
    list.replaceChildren(...rows.map(fault => makeRow(fault, dismiss)));
    await loadOutlines(rows);
    list.querySelectorAll('canvas.outline').forEach(canvas => drawFault(canvas, canvas.hit));
  };
  return { update, stop() {} };
}
