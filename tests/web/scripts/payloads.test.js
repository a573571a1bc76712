// Bodies that Python packed, beside what it packed; see test_scripts.py.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import test from 'node:test';
import { isShown, unpackPoints } from '../modules/map/points.js';
import { unpackPreviews } from '../modules/playback/previews.js';

const read = name => {
  const bytes = readFileSync(new URL(`../data/${name}`, import.meta.url));
  return bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.length);
};
const expected = JSON.parse(readFileSync(new URL('../data/expected.json', import.meta.url)));

test('points arrive as they were packed', () => {
  const points = unpackPoints(read('points.bin'));
  assert.equal(points.n, expected.points.ids.length);
  for (const [name, values] of Object.entries(expected.points)) assert.deepEqual([...points[name]], values, name);
  for (const [name, ranks] of Object.entries(expected.scales)) assert.deepEqual([...points.scales[name]], ranks, name);
  assert.deepEqual(points.sessions, expected.sessions);
  assert.deepEqual(points.regions, expected.regions);
  points.ids.forEach((id, row) => assert.equal(points.rowOf.get(id), row));
});

test('previews arrive as they were joined', () => {
  const { sr, previews } = unpackPreviews(read('previews.bin'));
  assert.equal(sr, expected.preview_sr);
  assert.deepEqual(previews.map(samples => [...samples].map(v => v * 32768)), expected.previews);
});

test('the first row of a mask is its highest bit', () => {
  const mask = Uint8Array.from([0b10000001, 0b01000000]);
  const rows = Array.from({ length: 16 }, (_, row) => row).filter(row => isShown(mask, row));
  assert.deepEqual(rows, [0, 7, 9]);
  assert.ok(isShown(null, 3));
});
