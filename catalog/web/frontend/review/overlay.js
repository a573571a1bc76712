// Two hits laid over each other, and what is left when one is taken from the other.

import { engine } from '../playback/audio_engine.js';
import { el, sizeCanvas, inkOf, accentOf, seconds } from '../shared/dom.js';

const OVER_HEIGHT = 84, REST_HEIGHT = 44, CLOSE = 0, WHOLE = 1, SIDES = 20;

// Outline of a wave: `columns` holds lowest and highest by turns, -127 to 127.
function drawColumns(g, columns, width, height, { color, hollow }) {
  const n = columns.length / 2, step = width / n, half = height / 2;
  g.fillStyle = g.strokeStyle = color;
  if (!hollow) {
    for (let k = 0; k < n; k++) {
      const low = columns[2 * k] / 127, high = columns[2 * k + 1] / 127;
      g.fillRect(k * step, half - high * (half - 2) - .5, Math.max(1, step), (high - low) * (half - 2) + 1);
    }
    return;
  }
  g.lineWidth = 1.4;                   // an outline and a filled wave are told apart without color
  for (const side of [1, 0]) {
    g.beginPath();
    for (let k = 0; k < n; k++) {
      const y = half - columns[2 * k + side] / 127 * (half - 2);
      g[k ? 'lineTo' : 'moveTo']((k + .5) * step, y);
    }
    g.stroke();
  }
}

function sayOverlay(o, first, second) {
  const parts = [], ms = Math.abs(o.later_s * 1000);
  if (ms >= .05) parts.push(`starts ${ms < 10 ? ms.toFixed(1) : Math.round(ms)} ms ${o.later_s > 0 ? 'later' : 'earlier'} in its file`);
  if (o.gain_db !== null && Math.abs(o.gain_db) >= .1) parts.push(`${Math.abs(o.gain_db).toFixed(1)} dB ${o.gain_db > 0 ? 'softer' : 'louder'}`);
  if (o.is_turned) parts.push('polarity turned');
  const told = parts.length ? `${second.name}: ${parts.join(', ')}. ` : '';
  const left = o.left_db > -.5 ? 'Taking one from the other leaves all of it: two recordings.'
    : `Taking one from the other leaves ${Math.abs(o.left_db).toFixed(0)} dB less than there was` +
      (o.left_db < -30 ? ': next to nothing.' : o.left_db > -10 ? ': a good part of it.' : '.');
  return told + left;
}

async function loadOverlay(first, second) {
  const answer = await fetch(`/api/overlay/${first.id}/${second.id}`);
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}

function layPair(first, second) {
  const box = el('div', { class: 'overlay' }), words = el('p', { class: 'told', 'aria-live': 'polite' }, 'Laying over …');
  const over = el('canvas', { role: 'img' }), rest = el('canvas', { role: 'img' });
  const p = { box, shown: null, span: CLOSE, rest: null };
  const name = hit => el('bdi', {}, hit.name);
  const spans = [['the start', CLOSE], ['all of it', WHOLE]].map(([text, k]) => el('button', { type: 'button',
    onclick: () => { p.span = k; p.draw(); } }, text));
  p.playRest = async () => {            // at the level of the first, so it is as faint as it is
    engine.wake();
    try {
      if (!p.rest) {
        const answer = await fetch(`/api/overlay/${first.id}/${second.id}.wav`);
        if (!answer.ok) throw new Error(await answer.text());
        p.rest = await engine.ctx.decodeAudioData(await answer.arrayBuffer());
      }
      engine.sound(p.rest, { id: -first.id, match_db: first.match_db });
    } catch (error) { words.textContent = error.message; }
  };
  box.append(words, over, rest, el('div', { class: 'deeds' },
    el('button', { type: 'button', onclick: () => engine.play(first) }, '▸ ', name(first)),
    el('button', { type: 'button', onclick: () => engine.play(second) }, '▸ ', name(second)),
    el('button', { type: 'button', onclick: p.playRest }, '▸ what is left'),
    el('span', { class: 'spans' }, ...spans)));
  p.draw = () => {
    if (!p.shown) return;
    const width = Math.max(160, Math.min(760, box.clientWidth - SIDES)), span = p.shown.spans[p.span];
    const g = sizeCanvas(over, width, OVER_HEIGHT), ink = inkOf(box), accent = accentOf(box);
    g.clearRect(0, 0, width, OVER_HEIGHT);
    g.globalAlpha = .45;
    drawColumns(g, span.first, width, OVER_HEIGHT, { color: ink });
    g.globalAlpha = 1;
    drawColumns(g, span.second, width, OVER_HEIGHT, { color: accent, hollow: true });
    const r = sizeCanvas(rest, width, REST_HEIGHT);
    r.clearRect(0, 0, width, REST_HEIGHT);
    drawColumns(r, span.rest, width, REST_HEIGHT, { color: ink });
    spans.forEach((button, k) => button.setAttribute('aria-pressed', String(k === p.span)));
    over.setAttribute('aria-label', `${first.name} filled, ${second.name} as a line over it, ${seconds(span.seconds)}`);
    rest.setAttribute('aria-label', 'What is left, on the same scale');
  };
  loadOverlay(first, second).then(shown => { p.shown = shown; words.textContent = sayOverlay(shown, first, second); p.draw(); })
    .catch(error => { words.textContent = error.message; });
  const watch = new ResizeObserver(() => p.draw());
  watch.observe(box);
  p.end = () => watch.disconnect();
  return p;
}

export { drawColumns, layPair };
