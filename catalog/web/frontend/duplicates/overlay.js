// Two hits aligned over each other, and the residual when one is subtracted from the other.

import { accentColor, sizeCanvas, textColor } from '../drawing/canvas.js';
import { fillEnvelope, strokeEnvelope } from '../drawing/waveform.js';
import { engine } from '../playback/audio_engine.js';
import { button, el } from '../shared/dom.js';
import { formatSeconds } from '../shared/format.js';
import { fetchBytes, fetchJson } from '../shared/http.js';

const PAIR_HEIGHT = 84, RESIDUAL_HEIGHT = 44, PADDING = 20;   // CSS pixels
const NARROWEST = 160, WIDEST = 760;
const FILL_ALPHA = .45;                // the second hit is drawn as a line above it
const SPANS = ['start', 'whole'];   // in the order in which the server sends them
// Below these a difference is not named.
const LEAST_SHIFT_MS = .05, LEAST_GAIN_DB = .1;

function describeDifferences({ offset_s, gain_db, is_inverted }) {
  const ms = Math.abs(offset_s * 1000), db = Math.abs(gain_db ?? 0), parts = [];
  if (ms >= LEAST_SHIFT_MS) {
    const shift = ms < 10 ? ms.toFixed(1) : Math.round(ms);
    parts.push(`starts ${shift} ms ${offset_s > 0 ? 'later' : 'earlier'} in its file`);
  }
  if (db >= LEAST_GAIN_DB) parts.push(`${db.toFixed(1)} dB ${gain_db > 0 ? 'softer' : 'louder'}`);
  if (is_inverted) parts.push('polarity inverted');
  return parts.join(', ');
}

function describeResidual(db) {
  if (db > -.5) return 'Subtracting one from the other leaves everything: two recordings.';
  const comment = db < -30 ? ': almost nothing.' : db > -10 ? ': a large part of it.' : '.';
  return `Their difference is ${Math.abs(db).toFixed(0)} dB below the recording${comment}`;
}

export function describeOverlay(overlay, secondName) {
  const differences = describeDifferences(overlay);
  return (differences ? `${secondName}: ${differences}. ` : '') + describeResidual(overlay.residual_db);
}

export function makeOverlay(first, second) {
  const status = el('p', { class: 'summary', 'aria-live': 'polite' }, 'Aligning …');
  const pairCanvas = el('canvas', { role: 'img' }), residualCanvas = el('canvas', { role: 'img' });
  const path = `/api/overlay/${first.id}/${second.id}`;
  let spans = null, spanIndex = 0, residual = null;

  const spanButtons = SPANS.map((label, k) => button(label, () => { spanIndex = k; draw(); }));
  const showError = error => { status.textContent = error.message; };
  const playResidual = async () => {   // at the level of the first hit, so it is as faint as it is
    engine.wake();
    try {
      residual ??= await engine.ctx.decodeAudioData(await fetchBytes(`${path}.wav`));
      engine.start(residual, { id: -first.id, match_db: first.match_db });
    } catch (error) { showError(error); }
  };
  const makePlay = hit => el('button', { type: 'button', onclick: () => engine.play(hit) },
    '▸ ', el('bdi', {}, hit.name));
  const box = el('div', { class: 'overlay' }, status, pairCanvas, residualCanvas,
    el('div', { class: 'actions' }, makePlay(first), makePlay(second), button('▸ difference', playResidual),
      el('span', { class: 'spans' }, ...spanButtons)));

  const clear = (canvas, width, height) => {
    const context = sizeCanvas(canvas, width, height);
    context.clearRect(0, 0, width, height);
    context.fillStyle = textColor(box);
    return context;
  };
  const drawPair = (span, width) => {
    const context = clear(pairCanvas, width, PAIR_HEIGHT), size = { width, height: PAIR_HEIGHT };
    context.globalAlpha = FILL_ALPHA;
    fillEnvelope(context, span.first, size);
    context.globalAlpha = 1;
    context.strokeStyle = accentColor(box);
    strokeEnvelope(context, span.second, size);
    pairCanvas.setAttribute('aria-label',
      `${first.name} filled, ${second.name} as a line over it, ${formatSeconds(span.seconds)}`);
  };
  const draw = () => {
    if (!spans) return;
    const width = Math.max(NARROWEST, Math.min(WIDEST, box.clientWidth - PADDING)), span = spans[spanIndex];
    drawPair(span, width);
    const context = clear(residualCanvas, width, RESIDUAL_HEIGHT);
    fillEnvelope(context, span.residual, { width, height: RESIDUAL_HEIGHT });
    residualCanvas.setAttribute('aria-label', 'The difference, on the same scale');
    spanButtons.forEach((node, k) => node.setAttribute('aria-pressed', String(k === spanIndex)));
  };
  fetchJson(path).then(overlay => {
    spans = overlay.spans;
    status.textContent = describeOverlay(overlay, second.name);
    draw();
  }).catch(showError);
  const resize = new ResizeObserver(draw);
  resize.observe(box);
  return { box, playResidual, isDrawn: () => spans !== null, end: () => resize.disconnect() };
}
