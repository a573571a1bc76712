// Waveforms drawn as envelopes: the lowest and the highest sample of each column, interleaved.

import { accentColor, sizeCanvas } from './canvas.js';

const LINE_PX = 1.4;
const FILL_ALPHA = .55;                // lets a second waveform show through

// Return a Float32Array of length 2 * nColumns; columns past the last sample stay 0.
export function envelopeOf(samples, nColumns, samplesPerColumn = samples.length / nColumns) {
  const envelope = new Float32Array(2 * nColumns);
  for (let column = 0; column < nColumns; column++) {
    const end = Math.min(samples.length, Math.floor((column + 1) * samplesPerColumn));
    let low = 0, high = 0;
    for (let i = Math.floor(column * samplesPerColumn); i < end; i++) {
      low = Math.min(low, samples[i]);
      high = Math.max(high, samples[i]);
    }
    envelope.set([low, high], 2 * column);
  }
  return envelope;
}

export function peakOf(samples) {
  let peak = 1e-9;                     // above 0, because samples are divided by it
  for (const sample of samples) peak = Math.max(peak, Math.abs(sample));
  return peak;
}

// Fill an envelope of int8, -127 to 127; margin px stay empty above and below, gap px between columns.
export function fillEnvelope(context, envelope, { width, height, margin = 2, gap = 0 }) {
  const step = width / (envelope.length / 2), half = height / 2;
  for (let k = 0; k < envelope.length / 2; k++) {
    const low = envelope[2 * k] / 127, high = envelope[2 * k + 1] / 127;
    context.fillRect(k * step, half - high * (half - margin) - .5, Math.max(1, step - gap),
      (high - low) * (half - margin) + 1);
  }
}

// Draw an envelope of int8 as two lines, so that it differs from a filled one without color.
export function strokeEnvelope(context, envelope, { width, height, margin = 2 }) {
  const step = width / (envelope.length / 2), half = height / 2;
  context.lineWidth = LINE_PX;
  for (const side of [1, 0]) {
    context.beginPath();
    for (let k = 0; k < envelope.length / 2; k++) {
      const y = half - envelope[2 * k + side] / 127 * (half - margin);
      context[k ? 'lineTo' : 'moveTo']((k + .5) * step, y);
    }
    context.stroke();
  }
}

export function drawWaveform(canvas, buffer, width, height) {
  const context = sizeCanvas(canvas, width, height), samples = buffer.getChannelData(0);
  const envelope = envelopeOf(samples, Math.ceil(width)), peak = peakOf(samples), half = height / 2;
  context.clearRect(0, 0, width, height);
  context.fillStyle = accentColor(canvas);
  for (let x = 0; x < width; x++) {
    const low = envelope[2 * x] / peak * (half - 1), high = envelope[2 * x + 1] / peak * (half - 1);
    context.fillRect(x, half - high, 1, Math.max(1, high - low));
  }
}

// Draw hits over each other at matched level, on one time axis. layers: [{buffer, gain, color, hollow}].
export function drawOverlaidWaveforms(canvas, layers, width, height) {
  const context = sizeCanvas(canvas, width, height), half = height / 2;
  const duration = Math.max(...layers.map(({ buffer }) => buffer.duration));
  const peak = Math.max(...layers.map(({ buffer, gain }) => gain * peakOf(buffer.getChannelData(0))));
  context.clearRect(0, 0, width, height);
  for (const { buffer, gain, color, hollow } of layers) {
    const samples = buffer.getChannelData(0), perColumn = duration * buffer.sampleRate / width;
    const nColumns = Math.min(Math.ceil(width), Math.ceil(samples.length / perColumn));
    const envelope = envelopeOf(samples, nColumns, perColumn);
    const y = k => half - envelope[k] * gain / peak * (half - 1);
    context.beginPath();
    for (let x = 0; x < nColumns; x++) context.lineTo(x + .5, y(2 * x + 1));
    for (let x = nColumns - 1; x >= 0; x--) context.lineTo(x + .5, y(2 * x));
    context.closePath();
    paintPath(context, color, hollow);
  }
}

function paintPath(context, color, hollow) {
  if (hollow) {
    context.strokeStyle = color;
    context.lineWidth = LINE_PX;
    context.stroke();
    return;
  }
  context.fillStyle = color;
  context.globalAlpha = FILL_ALPHA;
  context.fill();
  context.globalAlpha = 1;
}
