// Small pieces every view uses: elements (text is always text, never markup), outlines, numbers.

function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (key.startsWith('on')) node.addEventListener(key.slice(2), value);
    else if (key === 'class') node.className = value;
    else if (key in node && key !== 'role' && key !== 'list') node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...children.filter(child => child !== null && child !== undefined));
  return node;
}

const OUTLINES = new Map();            // "id:stamp" -> Int8Array(128)
const N_PEAKS = 64, MAX_OUTLINES = 4000;

async function loadOutlines(hits) {
  const byId = new Map(hits.map(h => [h.id, h]));   // the server answers each id once
  const wanted = [...byId.values()].filter(h => !OUTLINES.has(`${h.id}:${h.stamp}`));
  for (let k = 0; k < wanted.length; k += 64) {
    const part = wanted.slice(k, k + 64);
    const answer = await fetch(`/api/peaks?ids=${part.map(h => h.id).join(',')}`);
    if (!answer.ok) return;
    const all = new Int8Array(await answer.arrayBuffer());
    part.forEach((h, i) => OUTLINES.set(
      `${h.id}:${h.stamp}`, all.slice(i * 2 * N_PEAKS, (i + 1) * 2 * N_PEAKS)));
  }
  while (OUTLINES.size > MAX_OUTLINES) OUTLINES.delete(OUTLINES.keys().next().value);
}

function sizeCanvas(canvas, width, height) {
  const dpr = Math.min(2, window.devicePixelRatio || 1);
  canvas.width = Math.max(1, Math.round(width * dpr));
  canvas.height = Math.max(1, Math.round(height * dpr));
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const g = canvas.getContext('2d');
  g.setTransform(dpr, 0, 0, dpr, 0, 0);
  return g;
}

const inkOf = node => getComputedStyle(node).getPropertyValue('--ink').trim() || '#333';
const accentOf = node => getComputedStyle(node).getPropertyValue('--accent').trim() || '#8A4B16';

function drawOutline(canvas, hit, width = 88, height = 30) {
  const g = sizeCanvas(canvas, width, height), shape = OUTLINES.get(`${hit.id}:${hit.stamp}`);
  g.clearRect(0, 0, width, height);
  g.fillStyle = inkOf(canvas);
  const step = width / N_PEAKS, half = height / 2;
  for (let k = 0; k < N_PEAKS; k++) {
    const low = shape ? shape[2 * k] / 127 : 0, high = shape ? shape[2 * k + 1] / 127 : 0;
    g.fillRect(k * step, half - high * (half - 1) - 0.5, Math.max(1, step - 0.4),
      (high - low) * (half - 1) + 1);
  }
}

function outlineCanvas(hit, width, height) {
  const canvas = el('canvas', { class: 'outline', 'aria-hidden': 'true' });
  canvas.hit = hit;
  canvas.size = [width ?? 88, height ?? 30];
  sizeCanvas(canvas, ...canvas.size);
  return canvas;
}

async function fillOutlines(root) {
  const all = [...root.querySelectorAll('canvas.outline')];
  await loadOutlines(all.map(canvas => canvas.hit));
  all.forEach(canvas => drawOutline(canvas, canvas.hit, ...canvas.size));
}

function seconds(s) {
  if (s === null || s === undefined) return '–';
  return s < 1 ? `${Math.round(s * 1000)} ms` : `${s.toFixed(2)} s`;
}
function hertz(hz) {
  if (hz === null || hz === undefined) return '–';
  return hz < 1000 ? `${Math.round(hz)} Hz` : `${(hz / 1000).toFixed(1)} kHz`;
}
const decibels = (value, unit) =>
  value === null || value === undefined ? '–' : `${value.toFixed(1).replace('-', '−')} ${unit}`;

const originOf = row =>
  [row.session, row.drum, row.microphone, row.take && `take ${row.take}`].filter(Boolean).join(' · ');

// Streamlit's own shortcuts must not hear keys that were meant for the drums.
const ownKey = event => { event.preventDefault(); event.stopPropagation(); };
const typing = event => /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)
  && event.target.type !== 'checkbox' && event.target.type !== 'range';

function isDark(node) {
  const parts = getComputedStyle(node).color.match(/[\d.]+/g)?.map(Number) ?? [0, 0, 0];
  return parts[0] + parts[1] + parts[2] > 380;   // light ink means dark paper
}

export { el, loadOutlines, sizeCanvas, inkOf, accentOf, drawOutline, outlineCanvas, fillOutlines, seconds, hertz, decibels, originOf, ownKey, typing, isDark };
