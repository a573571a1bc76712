// Drawing of a recording and its strokes: the whole of it, and the part around one stroke.

import { accentColor, sizeCanvas, softColor, textColor } from '../drawing/canvas.js';
import { fillEnvelope } from '../drawing/waveform.js';

const OVERVIEW_HEIGHT = 52, BARS_HEIGHT = 14, DETAIL_HEIGHT = 150;   // CSS pixels
const FLAG_WIDTH = 13, FLAG_HEIGHT = 16;

// state: {data: {n_frames, strokes}, index, overview}; overview: an envelope of int8, or null
export function drawOverview(canvas, { data, index, overview }, width) {
  const context = sizeCanvas(canvas, width, OVERVIEW_HEIGHT + BARS_HEIGHT), scale = width / data.n_frames;
  const ink = textColor(canvas), accent = accentColor(canvas);
  context.clearRect(0, 0, width, OVERVIEW_HEIGHT + BARS_HEIGHT);
  context.fillStyle = ink;
  if (overview) fillEnvelope(context, overview, { width, height: OVERVIEW_HEIGHT });
  data.strokes.forEach(({ start, stop }, k) => {
    const isChosen = k === index, [top, height] = isChosen ? [2, 10] : [5, 5];   // not by color alone
    context.fillStyle = isChosen ? accent : ink;
    context.globalAlpha = isChosen ? 1 : .5;
    context.fillRect(start * scale, OVERVIEW_HEIGHT + top, Math.max(2, (stop - start) * scale - 1), height);
  });
  context.globalAlpha = 1;
}

function drawFlag(context, x, side) {  // a post with a flag that points into the stroke
  context.fillRect(x - 1, 0, 2, DETAIL_HEIGHT);
  context.beginPath();
  context.moveTo(x, 0);
  context.lineTo(x + side * FLAG_WIDTH, FLAG_HEIGHT / 2);
  context.lineTo(x, FLAG_HEIGHT);
  context.fill();
}

function drawCaret(context, x) {
  context.setLineDash([4, 4]);
  context.beginPath();
  context.moveTo(x, 0);
  context.lineTo(x, DETAIL_HEIGHT);
  context.stroke();
  context.setLineDash([]);
}

function fillWave(context, envelope, { width, from, to }) {   // faint outside the stroke
  const size = { width, height: DETAIL_HEIGHT };
  context.globalAlpha = .4;
  fillEnvelope(context, envelope, size);
  context.globalAlpha = 1;
  context.save();
  context.beginPath();
  context.rect(from, 0, to - from, DETAIL_HEIGHT);
  context.clip();
  fillEnvelope(context, envelope, size);
  context.restore();
}

// state: {window, ends, caret, detail}; window: the frames shown; detail: an envelope of int8, or null
export function drawDetail(canvas, { window: [first, last], ends, caret, detail }, width) {
  const context = sizeCanvas(canvas, width, DETAIL_HEIGHT);
  const xOf = frame => (frame - first) / (last - first) * width, [from, to] = ends.map(xOf);
  context.clearRect(0, 0, width, DETAIL_HEIGHT);
  context.fillStyle = softColor(canvas);
  context.fillRect(from, 0, to - from, DETAIL_HEIGHT);
  context.fillStyle = textColor(canvas);
  if (detail) fillWave(context, detail, { width, from, to });
  context.fillStyle = context.strokeStyle = accentColor(canvas);
  drawFlag(context, from, 1);
  drawFlag(context, to, -1);
  if (caret !== null) drawCaret(context, xOf(caret));
}
