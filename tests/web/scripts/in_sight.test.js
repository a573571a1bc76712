// Names of drums on the map, and what is listed as in sight.

import assert from 'node:assert/strict';
import test from 'node:test';

import { ROLES } from '../modules/constants.js';
import { findDrums, listInSight } from '../modules/map/in_sight.js';

const [kick, snare] = ['kick', 'snare'].map(role => ROLES.indexOf(role));
const points = { n: 7, x: [.1, .1, .2, .9, .8, .8, .5], y: [.1, .2, .1, .9, .9, .8, .5],
  session: [0, 0, 0, 0, 0, 0, 1], role: [kick, kick, kick, snare, snare, snare, snare] };
const columns = { points, drum: [1, 1, 1, 2, 2, 2, 2], drums: ['', 'big', 'brass'] };
const all = () => true;

test('a drum is named at the median place of its strokes in one session', () => {
  const drums = findDrums(columns);
  assert.deepEqual(drums.map(({ name, x, y }) => [name, x, y]), [['big', .1, .1], ['brass', .8, .9]]);
  assert.deepEqual(drums[1].rows, [3, 4, 5]);   // not the stroke of another session
});

test('what is in sight is counted by role, and by drum where few roles are', () => {
  const drums = findDrums(columns), list = (bounds, shown = all) =>
    listInSight(points, drums, bounds, shown).map(({ name, role, rows }) => [name, role, rows.length]);
  assert.deepEqual(list([0, 1, 0, 1]), [['', 'snare', 4], ['', 'kick', 3], ['big', 'kick', 3], ['brass', 'snare', 3]]);
  assert.deepEqual(list([.4, 1, .4, 1], row => row !== 3), [['', 'snare', 3], ['brass', 'snare', 2]]);
  assert.deepEqual(list([.3, .4, .3, .4]), []);
});
