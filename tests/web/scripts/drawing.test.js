import assert from 'node:assert/strict';
import test from 'node:test';
import { GREY, RAMP, UNKNOWN_RANK, colorPoints, rampColor } from '../modules/drawing/colors.js';
import { fft, spectrogram } from '../modules/drawing/spectrum.js';
import { envelopeOf, fillEnvelope, peakOf } from '../modules/drawing/waveform.js';
import { densitySteps } from '../modules/map/density.js';
import { formatDecibels, formatHertz, formatSeconds } from '../modules/shared/format.js';

const hexOf = rgb => `#${rgb.map(v => v.toString(16).padStart(2, '0')).join('').toUpperCase()}`;

test('every sample lies within the envelope of its column', () => {
  const samples = Float32Array.from({ length: 1003 }, (_, k) => Math.sin(k * k / 500));
  const envelope = envelopeOf(samples, 64);
  samples.forEach((sample, k) => {
    const column = Array.from({ length: 64 }, (_, c) => c)
      .find(c => k < Math.floor((c + 1) * samples.length / 64));
    assert.ok(envelope[2 * column] <= sample && sample <= envelope[2 * column + 1]);
  });
  assert.ok(Math.abs(peakOf(samples) - Math.max(...envelope.map(Math.abs))) < 1e-12);
});

test('columns past the end of a hit stay flat', () => {
  assert.deepEqual([...envelopeOf(Float32Array.of(.5, -.5, .25, .25), 4, 2)], [-.5, .5, 0, .25, 0, 0, 0, 0]);
});

test('a full-scale envelope reaches from margin to margin', () => {
  const rectangles = [], context = { fillRect: (...rectangle) => rectangles.push(rectangle) };
  fillEnvelope(context, Int8Array.of(-127, 127, 0, 0), { width: 10, height: 40, margin: 2 });
  assert.deepEqual(rectangles, [[0, 1.5, 5, 37], [5, 19.5, 5, 1]]);
});

test('the transform agrees with its definition', () => {
  const n = 32, wave = Array.from({ length: n }, (_, k) => Math.sin(k) + k % 3);
  const re = Float64Array.from(wave), im = new Float64Array(n);
  fft(re, im);
  for (let bin = 0; bin < n; bin++) {
    const sum = part => wave.reduce((total, v, k) => total + v * part(-2 * Math.PI * bin * k / n), 0);
    assert.ok(Math.hypot(re[bin] - sum(Math.cos), im[bin] - sum(Math.sin)) < 1e-9);
  }
});

test('a tone is loudest in the band of its frequency', () => {
  const sr = 44100, tone = Float32Array.from({ length: sr }, (_, k) => Math.sin(2 * Math.PI * 3000 * k / sr));
  const cells = spectrogram(tone, sr).slice(40 * 55, 40 * 56);   // a frame in the middle
  const expected = Math.floor(40 * Math.log(3000 / 40) / Math.log(16000 / 40));
  assert.equal(cells.indexOf(Math.max(...cells)), expected);
});

test('a ramp runs from its first color to its last', () => {
  assert.equal(hexOf(rampColor(0)), RAMP[0]);
  assert.equal(hexOf(rampColor(127)), RAMP[2]);
  assert.equal(hexOf(rampColor(254)), RAMP.at(-1));
  assert.equal(hexOf(rampColor(UNKNOWN_RANK)), GREY);
});

test('colors are packed as pixels of an image: blue, green, red', () => {
  const points = { session: [0, 1], sessions: ['a', 'b'] };
  const [index, palette] = colorPoints(points, 'session', false);
  assert.equal(index, points.session);
  assert.deepEqual([...palette], [0xB27200, 0x006BA8]);   // #0072B2, #A86B00
  assert.ok(colorPoints(points, 'session', true)[1].every((color, k) => color >= palette[k]));
});

test('the ground is darkest where points gather and clear far away', () => {
  const x = new Float32Array(300).fill(.25), y = new Float32Array(300).fill(.75);   // up on the left
  const steps = densitySteps({ n: 300, x, y });
  assert.equal(steps[40 + 160 * 40], 3);   // rows are counted from the top
  assert.equal(steps[120 + 160 * 120], 0);
  assert.ok(steps.includes(1) && steps.includes(2));
});

test('numbers are shown with their unit, missing ones as a dash', () => {
  assert.deepEqual([formatSeconds(.0421), formatSeconds(1.234), formatSeconds(null)], ['42 ms', '1.23 s', '–']);
  assert.deepEqual([formatHertz(47.4), formatHertz(3210), formatHertz(undefined)], ['47 Hz', '3.2 kHz', '–']);
  assert.deepEqual([formatDecibels(-12.04, 'dBFS'), formatDecibels(null, 'dBFS')], ['−12.0 dBFS', '–']);
});
