import assert from 'node:assert/strict';
import test from 'node:test';
import { boundsOf } from '../modules/map/spatial_index.js';
import { fitBounds, fromScreen, panPixels, ringAround, scaleLine, toScreen, zoomAt }
  from '../modules/map/viewport.js';

const SIZE = { w: 800, h: 500 }, EPSILON = 1e-9;   // rounding of doubles
const near = (a, b) => a.forEach((value, k) => assert.ok(Math.abs(value - b[k]) < EPSILON, `${a} is not ${b}`));

test('the whole map fills the screen, its y axis upward', () => {
  const view = { cx: .5, cy: .5, zoom: 1 };
  near(toScreen(view, SIZE, 0, 1), [0, 0]);
  near(toScreen(view, SIZE, 1, 0), [SIZE.w, SIZE.h]);
});

test('a place goes to the screen and back', () => {
  const view = { cx: .3, cy: .7, zoom: 4 };
  near(fromScreen(view, SIZE, ...toScreen(view, SIZE, .41, .62)), [.41, .62]);
});

test('zooming keeps the place under the pointer', () => {
  const view = { cx: .4, cy: .45, zoom: 3 }, place = fromScreen(view, SIZE, 120, 340);
  for (const factor of [1.3, .5, 4]) near(toScreen(zoomAt(view, SIZE, factor, 120, 340), SIZE, ...place), [120, 340]);
});

test('zoom stays within its limits and centers the whole map', () => {
  assert.deepEqual(zoomAt({ cx: .2, cy: .9, zoom: 2 }, SIZE, .1, 10, 10), { cx: .5, cy: .5, zoom: 1 });
  assert.equal(zoomAt({ cx: .5, cy: .5, zoom: 50 }, SIZE, 10, 400, 250).zoom, 60);
});

test('a place moves with the finger that pans', () => {
  const view = { cx: .5, cy: .5, zoom: 2 }, [x, y] = fromScreen(view, SIZE, 200, 100);
  near(toScreen(panPixels(view, SIZE, 30, -12), SIZE, x, y), [230, 88]);
});

test('fitted hits are all on the screen, in its middle', () => {
  const corners = [[.1, .2], [.3, .25], [.2, .6]], view = fitBounds(boundsOf(corners));
  for (const [px, py] of corners.map(corner => toScreen(view, SIZE, ...corner))) {
    assert.ok(px >= 0 && px <= SIZE.w && py >= 0 && py <= SIZE.h);
  }
  near([view.cx, view.cy], [.2, .4]);
});

test('a ring is round on the screen at any zoom', () => {
  const view = { cx: .5, cy: .5, zoom: 7 }, center = toScreen(view, SIZE, .52, .48);
  for (const corner of ringAround(view, SIZE, [.52, .48], 46)) {
    const [px, py] = toScreen(view, SIZE, ...corner);
    near([Math.hypot(px - center[0], py - center[1])], [46]);
  }
});

test('a widened line keeps its middle', () => {
  assert.deepEqual(scaleLine([[0, 0], [2, 0], [2, 4], [0, 4]], 1.5), [[-.5, -1], [2.5, -1], [2.5, 5], [-.5, 5]]);
});
