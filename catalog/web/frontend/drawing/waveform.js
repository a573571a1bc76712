// Pictures of sound: the wave, the spectrum over time, two waves laid over each other.

import { sizeCanvas, inkOf, accentOf } from '../shared/dom.js';

const SPECTRUM_S = 0.6, SPECTRUM_BINS = 512, SPECTRUM_ROWS = 40, SPECTRUM_COLUMNS = 110;
const SPECTRUM_FLOOR_DB = 62;          // below the loudest cell nothing is drawn

function fft(re, im) {                 // in place, length a power of two (Cooley and Tukey, 1965)
  const n = re.length;
  for (let i = 1, j = 0; i < n; i++) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) { [re[i], re[j]] = [re[j], re[i]]; [im[i], im[j]] = [im[j], im[i]]; }
  }
  for (let size = 2; size <= n; size <<= 1) for (let s = 0; s < n; s += size) for (let k = 0; k < size / 2; k++) {
    const turn = -2 * Math.PI * k / size, c = Math.cos(turn), d = Math.sin(turn);
    const a = s + k, b = a + size / 2, x = re[b] * c - im[b] * d, y = re[b] * d + im[b] * c;
    re[b] = re[a] - x; im[b] = im[a] - y; re[a] += x; im[a] += y;
  }
}

function drawSpectrum(canvas, buffer, width, height) {
  const g = sizeCanvas(canvas, width, height), sr = buffer.sampleRate, wave = buffer.getChannelData(0);
  const span = Math.min(wave.length, SPECTRUM_S * sr), n = 2 * SPECTRUM_BINS, cells = [];
  for (let c = 0; c < SPECTRUM_COLUMNS; c++) {
    const re = new Float64Array(n), im = new Float64Array(n), from = Math.round(c / SPECTRUM_COLUMNS * span - n / 4);
    for (let i = 0; i < n; i++) re[i] = (wave[from + i] ?? 0) * (.5 - .5 * Math.cos(2 * Math.PI * i / n));
    fft(re, im);
    for (let r = 0; r < SPECTRUM_ROWS; r++) {
      const edge = q => 40 * (16000 / 40) ** (q / SPECTRUM_ROWS) * n / sr;
      const lo = Math.floor(edge(r)), hi = Math.max(lo + 1, Math.ceil(edge(r + 1)));
      let sum = 0;
      for (let i = lo; i < hi && i < n / 2; i++) sum += re[i] ** 2 + im[i] ** 2;
      cells.push(10 * Math.log10(sum + 1e-12));
    }
  }
  const top = Math.max(...cells), ink = inkOf(canvas), cw = width / SPECTRUM_COLUMNS, ch = height / SPECTRUM_ROWS;
  g.clearRect(0, 0, width, height);
  g.fillStyle = ink;
  cells.forEach((db, k) => {
    const c = Math.floor(k / SPECTRUM_ROWS), r = k % SPECTRUM_ROWS, strength = 1 - (top - db) / SPECTRUM_FLOOR_DB;
    if (strength <= 0) return;
    g.globalAlpha = strength ** 1.4;
    g.fillRect(c * cw, height - (r + 1) * ch, cw + .4, ch + .4);
  });
  g.globalAlpha = 1;
}

function drawWave(canvas, buffer, width, height) {
  const g = sizeCanvas(canvas, width, height), wave = buffer.getChannelData(0), half = height / 2;
  let top = 1e-9;
  for (const v of wave) top = Math.max(top, Math.abs(v));
  g.clearRect(0, 0, width, height);
  g.fillStyle = accentOf(canvas);
  for (let x = 0; x < width; x++) {
    let lo = 0, hi = 0;
    const a = Math.floor(x / width * wave.length), b = Math.floor((x + 1) / width * wave.length);
    for (let i = a; i < b; i++) { lo = Math.min(lo, wave[i]); hi = Math.max(hi, wave[i]); }
    g.fillRect(x, half - hi / top * (half - 1), 1, Math.max(1, (hi - lo) / top * (half - 1)));
  }
}

// Two hits as they are heard: at like loudness, from the start of each stroke.
function drawOver(canvas, pairs, width, height) {   // pairs: [{buffer, gain, color, hollow}, ...]
  const g = sizeCanvas(canvas, width, height), half = height / 2;
  const span = Math.max(...pairs.map(({ buffer }) => buffer.duration));
  let top = 1e-9;
  for (const { buffer, gain } of pairs) for (const v of buffer.getChannelData(0)) top = Math.max(top, Math.abs(v) * gain);
  g.clearRect(0, 0, width, height);
  pairs.forEach(({ buffer, gain, color, hollow }) => {
    const wave = buffer.getChannelData(0), per = span * buffer.sampleRate / width, highs = [], lows = [];
    for (let x = 0; x < width && x * per < wave.length; x++) {
      let lo = 0, hi = 0;
      for (let i = Math.floor(x * per); i < Math.min(wave.length, (x + 1) * per); i++) { lo = Math.min(lo, wave[i]); hi = Math.max(hi, wave[i]); }
      highs.push([x + .5, half - hi * gain / top * (half - 1)]); lows.push([x + .5, half - lo * gain / top * (half - 1)]);
    }
    g.beginPath();
    [...highs, ...lows.reverse()].forEach(([x, y], k) => k ? g.lineTo(x, y) : g.moveTo(x, y));
    g.closePath();
    if (hollow) { g.strokeStyle = color; g.lineWidth = 1.4; g.stroke(); } else { g.fillStyle = color; g.globalAlpha = .55; g.fill(); g.globalAlpha = 1; }
  });
}

export { SPECTRUM_S, drawSpectrum, drawWave, drawOver };
