// Drums by strength: where strokes stand, which are round robins, where a strength is missing.

import assert from 'node:assert/strict';
import test from 'node:test';

import { chooseRange, groupDrums, layOutStrokes } from '../modules/find/drums.js';
import { orderByKeys } from '../modules/find/columns.js';
import { lastParts } from '../modules/find/sessions.js';

test('strokes stand at their strength, round robins above each other, and a gap is found', () => {
  const strengths = Float32Array.of(-20, -20.5, -32, -26, NaN);
  const { strokes, gaps, most } = layOutStrokes([0, 1, 2, 3, 4], strengths, 24);
  assert.deepEqual(strokes.map(stroke => stroke.row), [2, 3, 1, 0]);
  assert.deepEqual(strokes.map(stroke => stroke.x), [.5, .75, 1 - .5 / 24, 1 - .5 / 24]);
  assert.deepEqual(strokes.map(stroke => stroke.level), [0, 0, 0, 1]);
  assert.deepEqual(gaps.map(gap => gap.db), [6, 5.5]);
  assert.equal(most, 1);
});

test('hits are grouped by role, session and drum, and by microphone within', () => {
  const columns = { drums: ['', 'oak'], drum: [1, 1, 0, 1], microphone: [0, 1, 0, 0],
    points: { role: [3, 3, 3, 2], session: [0, 0, 0, 0] } };
  const drums = groupDrums(columns, [0, 1, 2, 3]);
  assert.deepEqual(drums.map(({ role, drum, n }) => [role, drum, n]), [[2, 'oak', 1], [3, 'oak', 2]]);
  assert.deepEqual([...drums[1].mics], [[0, [0]], [1, [1]]]);
  assert.equal(chooseRange(drums, Float32Array.of(-20, -30, -20, -20)), 12);
});

test('rows are ordered by their keys, equal keys by row', () => {
  assert.deepEqual([...orderByKeys(Uint32Array.of(7, 2 ** 32 - 1, 7, 0))], [3, 0, 2, 1]);
  const values = Float32Array.of(.5, NaN, .1, 20000);
  assert.deepEqual([...orderByKeys(new Uint32Array(values.buffer))], [2, 0, 3, 1]);
});

test('sessions are named by their last part, longer where two are the same', () => {
  assert.deepEqual(lastParts(['a/oak', 'b/oak', 'c/ash', '']), ['a/oak', 'b/oak', 'ash', '']);
});
