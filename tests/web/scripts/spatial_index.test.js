import assert from 'node:assert/strict';
import test from 'node:test';
import { indexPoints, isInside, playingOrder, rowToward, rowsInside, rowsNear }
  from '../modules/map/spatial_index.js';

function random(seed) {                // a small linear congruential generator: every run is the same
  let state = seed;
  return () => { state = (1664525 * state + 1013904223) % 2 ** 32; return state / 2 ** 32; };
}
function makePoints(n, seed) {
  const next = random(seed), x = new Float32Array(n).map(next), y = new Float32Array(n).map(next);
  return { n, x, y, index: indexPoints(x, y) };
}
const points = makePoints(3000, 5), all = [...points.x.keys()], sx = 800, sy = 500;
const shown = row => row % 7 !== 0;
const distance = (row, x, y) => Math.hypot((points.x[row] - x) * sx, (points.y[row] - y) * sy);

test('rows near a place are those of a search through all', () => {
  for (const [x, y] of [[.5, .5], [0, 0], [.99, .02]]) {
    const expected = all.filter(row => shown(row) && distance(row, x, y) <= 60)
      .sort((a, b) => distance(a, x, y) - distance(b, x, y)).slice(0, 9);
    assert.ok(expected.length > 2);
    assert.deepEqual(rowsNear(points, { x, y, sx, sy, reach: 60, count: 9, shown }), expected);
  }
});

test('the row toward a direction is the cheapest within 60 degrees', () => {
  const x = .5, y = .5, from = 17;
  for (const [ux, uy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    const costs = all.filter(row => shown(row) && row !== from).map(row => {
      const angle = Math.abs(Math.atan2((points.y[row] - y) * sy, (points.x[row] - x) * sx) - Math.atan2(uy, ux));
      const off = Math.min(angle, 2 * Math.PI - angle);
      return off < Math.PI / 3 ? [distance(row, x, y) / Math.cos(off) ** 2, row] : [Infinity, -1];
    });
    const [, expected] = costs.reduce((best, cost) => (cost[0] < best[0] ? cost : best));
    assert.equal(rowToward(points, { x, y, sx, sy, from, shown }, [ux, uy]), expected);
  }
});

test('no row lies toward a direction beyond the last point', () => {
  assert.equal(rowToward(points, { x: 2, y: .5, sx, sy, from: -1, shown }, [1, 0]), -1);
});

test('rows inside a ring are those closer to its center than its radius', () => {
  const line = Array.from({ length: 720 }, (_, k) => [.4 + .2 * Math.cos(k * Math.PI / 360),
    .6 + .2 * Math.sin(k * Math.PI / 360)]);
  const radius = row => Math.hypot(points.x[row] - .4, points.y[row] - .6);
  const inside = rowsInside(points, line, shown).sort((a, b) => a - b);
  assert.ok(all.every(row => Math.abs(radius(row) - .2) > 1e-5));   // none so close that 720 corners matter
  assert.deepEqual(inside, all.filter(row => shown(row) && radius(row) < .2));
});

test('a place surrounded twice is outside by the even-odd rule', () => {
  const pentagram = [0, 2, 4, 1, 3].map(k => [Math.cos(2 * Math.PI * k / 5), Math.sin(2 * Math.PI * k / 5)]);
  assert.equal(isInside(pentagram, 0, 0), false);
  assert.equal(isInside(pentagram, .7, 0), true);
});

test('an empty line takes nothing', () => assert.deepEqual(rowsInside(points, [], shown), []));

test('a scale orders what is played; equal values keep the order of rows', () => {
  assert.deepEqual(playingOrder(points, [4, 1, 3, 2], [9, 30, 10, 30, 20]), [2, 4, 1, 3]);
});

test('without a scale each row follows the nearest one that is left', () => {
  const rows = all.slice(0, 200), order = playingOrder(points, rows, undefined);
  assert.deepEqual([...order].sort((a, b) => a - b), rows);
  const gap = (a, b) => (points.x[a] - points.x[b]) ** 2 + (points.y[a] - points.y[b]) ** 2;
  for (let k = 0; k + 1 < order.length; k++) {
    const left = order.slice(k + 1).map(row => gap(order[k], row));
    assert.equal(left[0], Math.min(...left));
  }
});

test('a row 59 degrees off the direction counts, one 61 degrees off does not', () => {
  for (const [degrees, expected] of [[59, 0], [61, -1]]) {
    const x = Float32Array.of(Math.cos(degrees * Math.PI / 180)), y = Float32Array.of(Math.sin(degrees * Math.PI / 180));
    const place = { x: 0, y: 0, sx: 1, sy: 1, from: -1, shown: () => true };
    assert.equal(rowToward({ n: 1, x, y }, place, [1, 0]), expected);
  }
});
