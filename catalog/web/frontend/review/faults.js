// The view "faults": what is wrong with hits, each with its spot on the wave, heard, and dismissed for good.

import { engine } from '../playback/audio_engine.js';
import { el, loadOutlines, accentOf, drawOutline, outlineCanvas } from '../shared/dom.js';

const SPOT_BEFORE_S = .12, SPOT_LEAST_S = .4, SPOT_WIDTH = 220, SPOT_HEIGHT = 40;

function drawSpot(canvas, row) {
  drawOutline(canvas, row, SPOT_WIDTH, SPOT_HEIGHT);
  if (!row.length_s || (row.from_s === 0 && row.to_s === 0)) return;
  const g = canvas.getContext('2d'), x = row.from_s / row.length_s * SPOT_WIDTH;
  const width = Math.max(2, (row.to_s - row.from_s) / row.length_s * SPOT_WIDTH);
  g.strokeStyle = g.fillStyle = accentOf(canvas);
  g.lineWidth = 1.5;
  g.strokeRect(Math.min(x, SPOT_WIDTH - 3), 1, Math.min(width, SPOT_WIDTH - x), SPOT_HEIGHT - 2);
  g.fillRect(x - 3, 0, 7, 3);          // a cap, so that the spot is found without color
}

function hearSpot(row) {
  const from = Math.max(0, row.from_s - SPOT_BEFORE_S);
  return engine.play(row, { from, seconds: Math.max(SPOT_LEAST_S, row.to_s - from + SPOT_BEFORE_S) });
}

export const mount = (root, live) => {
  const room = root.querySelector('.room'), list = el('ol', { class: 'faults', 'aria-label': 'What is wrong with hits' });
  room.replaceChildren(list);
  let seen = '';
  const dismiss = row => live.c.setTriggerValue('act',
    { op: row.dismissed ? 'undismiss' : 'dismiss', id: row.id, kind: row.kind, at: Date.now() });
  const lineOf = row => el('li', { class: row.dismissed ? 'fault gone' : 'fault' },
    el('button', { type: 'button', class: 'row', onclick: () => engine.play(row), 'aria-label': `Play ${row.name}` },
      outlineCanvas(row, SPOT_WIDTH, SPOT_HEIGHT), el('span', { class: 'words' }, el('b', {}, row.what),
        el('span', { class: 'why' }, row.where), el('span', { class: 'why name', dir: 'auto' }, `${row.name}, ${row.session || 'unknown session'}`))),
    el('div', { class: 'deeds' },
      el('button', { type: 'button', onclick: () => hearSpot(row), title: 'Hear the spot', 'aria-label': `Hear the spot in ${row.name}` }, 'Hear the spot'),
      el('button', { type: 'button', onclick: () => dismiss(row), title: row.advice,
        'aria-label': `${row.dismissed ? 'It is a fault after all' : 'This is no fault'}: ${row.what}, ${row.name}` },
      row.dismissed ? 'A fault after all' : 'No fault')));
  const update = async data => {
    const now = JSON.stringify(data.rows);
    if (data.probe) globalThis.__faults = { engine, list };
    if (now === seen) return;
    seen = now;
    list.replaceChildren(...data.rows.map(lineOf));
    await loadOutlines(data.rows);
    list.querySelectorAll('canvas.outline').forEach(canvas => drawSpot(canvas, canvas.hit));
  };
  return { update, stop() {} };
};
