import assert from 'node:assert/strict';
import test from 'node:test';
import { findAgain, limitsOf, nearestStroke, windowAround } from '../modules/recordings/cut_geometry.js';

const SR = 1000, N_FRAMES = 10000;
const strokes = [{ id: 1, start: 100, stop: 1100 }, { id: 2, start: 2000, stop: 4000 },
  { id: 3, start: 4000, stop: 9900 }];

test('a quarter of a stroke is shown on both sides, a short one with more', () => {
  assert.deepEqual(windowAround(strokes[1], { sr: SR, nFrames: N_FRAMES }), [1500, 4500]);
  assert.deepEqual(windowAround({ start: 5000, stop: 5040 }, { sr: SR, nFrames: N_FRAMES }), [4920, 5120]);
});

test('the window ends with the recording', () => {
  assert.deepEqual(windowAround(strokes[0], { sr: SR, nFrames: N_FRAMES }), [0, 1350]);
  assert.equal(windowAround(strokes[2], { sr: SR, nFrames: N_FRAMES })[1], N_FRAMES);
});

test('an end moves up to its neighbor and keeps the shortest length', () => {
  const at = index => ({ strokes, index, ends: [strokes[index].start, strokes[index].stop], nFrames: N_FRAMES,
    shortest: 10 });
  assert.deepEqual(limitsOf(0, at(1)), [1100, 3990]);
  assert.deepEqual(limitsOf(1, at(1)), [2010, 4000]);
  assert.deepEqual(limitsOf(0, at(0)), [0, 1090]);
  assert.deepEqual(limitsOf(1, at(2)), [4010, N_FRAMES]);
});

test('a press chooses the stroke that is nearest', () => {
  assert.deepEqual([0, 500, 1400, 1700, 3000, 9999].map(frame => nearestStroke(strokes, frame)), [0, 0, 0, 1, 1, 2]);
});

test('a stroke is found again by its hit, else by its place', () => {
  assert.equal(findAgain(strokes, { id: 3, middle: 300 }), 2);
  assert.equal(findAgain(strokes, { id: 99, middle: 2500 }), 1);
  assert.equal(findAgain(strokes, { id: 99, middle: 1500 }), 0);
  assert.equal(findAgain(strokes, undefined), 0);
});
