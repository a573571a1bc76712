// A spectrogram of the start of a hit: logarithmic frequency, 40 Hz to 16 kHz.

import { sizeCanvas, textColor } from './canvas.js';

export const SPECTROGRAM_S = .6;
const LOWEST_HZ = 40, HIGHEST_HZ = 16000;
const N_FRAMES = 110, N_BANDS = 40;    // columns and rows that are drawn
const FFT_LENGTH = 1024;
const RANGE_DB = 62;                   // below the loudest cell nothing is drawn

// Transform in place; the length is a power of two (J. W. Cooley and J. W. Tukey, 1965).
export function fft(re, im) {
  const n = re.length;
  for (let i = 1, j = 0; i < n; i++) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) {
      [re[i], re[j]] = [re[j], re[i]];
      [im[i], im[j]] = [im[j], im[i]];
    }
  }
  for (let size = 2; size <= n; size <<= 1) {
    for (let start = 0; start < n; start += size) butterflies(re, im, start, size);
  }
}

function butterflies(re, im, start, size) {
  for (let k = 0; k < size / 2; k++) {
    const angle = -2 * Math.PI * k / size, cos = Math.cos(angle), sin = Math.sin(angle);
    const a = start + k, b = a + size / 2;
    const x = re[b] * cos - im[b] * sin, y = re[b] * sin + im[b] * cos;
    re[b] = re[a] - x; im[b] = im[a] - y;
    re[a] += x; im[a] += y;
  }
}

// Return the level of each band in dB, frame by frame; each frame is under a Hann window.
export function spectrogram(samples, sr) {
  const length = Math.min(samples.length, SPECTROGRAM_S * sr), cells = [];
  const bandStart = k => LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** (k / N_BANDS) * FFT_LENGTH / sr;
  for (let frame = 0; frame < N_FRAMES; frame++) {
    const re = new Float64Array(FFT_LENGTH), im = new Float64Array(FFT_LENGTH);
    const first = Math.round(frame / N_FRAMES * length - FFT_LENGTH / 4);
    for (let i = 0; i < FFT_LENGTH; i++) {
      re[i] = (samples[first + i] ?? 0) * (.5 - .5 * Math.cos(2 * Math.PI * i / FFT_LENGTH));
    }
    fft(re, im);
    for (let band = 0; band < N_BANDS; band++) {
      const low = Math.floor(bandStart(band)), high = Math.max(low + 1, Math.ceil(bandStart(band + 1)));
      let power = 0;
      for (let i = low; i < high && i < FFT_LENGTH / 2; i++) power += re[i] ** 2 + im[i] ** 2;
      cells.push(10 * Math.log10(power + 1e-12));
    }
  }
  return cells;
}

export function drawSpectrogram(canvas, buffer, width, height) {
  const context = sizeCanvas(canvas, width, height);
  const cells = spectrogram(buffer.getChannelData(0), buffer.sampleRate), loudest = Math.max(...cells);
  const cellWidth = width / N_FRAMES, cellHeight = height / N_BANDS;
  context.clearRect(0, 0, width, height);
  context.fillStyle = textColor(canvas);
  cells.forEach((db, k) => {
    const frame = Math.floor(k / N_BANDS), band = k % N_BANDS, strength = 1 - (loudest - db) / RANGE_DB;
    if (strength <= 0) return;
    context.globalAlpha = strength ** 1.4;   // by eye: a linear scale drowns the decay
    context.fillRect(frame * cellWidth, height - (band + 1) * cellHeight, cellWidth + .4, cellHeight + .4);
  });
  context.globalAlpha = 1;
}
