// Small outlines of hits in lists, fetched in batches and kept for the life of the page.

import { MAX_IDS, N_PEAKS } from '../constants.js';
import { el } from '../shared/dom.js';
import { fetchBytes } from '../shared/http.js';
import { sizeCanvas, textColor } from './canvas.js';
import { fillEnvelope } from './waveform.js';

const MAX_KEPT = 4000;                 // outlines of 128 bytes; the oldest go first
const BYTES_EACH = 2 * N_PEAKS;
const FLAT = new Int8Array(BYTES_EACH);

const kept = new Map();                // "id:stamp" -> Int8Array
const keyOf = hit => `${hit.id}:${hit.stamp}`;

export async function loadOutlines(hits) {
  const byId = new Map(hits.map(hit => [hit.id, hit]));   // the server answers each id once
  const missing = [...byId.values()].filter(hit => !kept.has(keyOf(hit)));
  for (let k = 0; k < missing.length; k += MAX_IDS) {
    const batch = missing.slice(k, k + MAX_IDS);
    let bytes;
    try {
      bytes = new Int8Array(await fetchBytes(`/api/peaks?ids=${batch.map(hit => hit.id).join(',')}`));
    } catch { return; }                // the outlines stay flat
    batch.forEach((hit, i) => kept.set(keyOf(hit), bytes.slice(i * BYTES_EACH, (i + 1) * BYTES_EACH)));
  }
  while (kept.size > MAX_KEPT) kept.delete(kept.keys().next().value);
}

export const hasOutline = hit => kept.has(keyOf(hit));

export function drawOutline(canvas, hit, width, height, color = textColor(canvas)) {
  const context = sizeCanvas(canvas, width, height);
  context.clearRect(0, 0, width, height);
  context.fillStyle = color;
  fillEnvelope(context, kept.get(keyOf(hit)) ?? FLAT, { width, height, margin: 1, gap: .4 });
}

export function outlineCanvas(hit, width, height) {
  const canvas = el('canvas', { class: 'outline', 'aria-hidden': 'true' });
  canvas.hit = hit;
  canvas.size = [width, height];
  sizeCanvas(canvas, width, height);
  return canvas;
}

export async function drawOutlines(root) {
  const canvases = [...root.querySelectorAll('canvas.outline')];
  await loadOutlines(canvases.map(canvas => canvas.hit));
  canvases.forEach(canvas => drawOutline(canvas, canvas.hit, ...canvas.size));
}
