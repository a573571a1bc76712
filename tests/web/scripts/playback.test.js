import assert from 'node:assert/strict';
import test from 'node:test';
import { makeBufferCache } from '../modules/playback/buffer_cache.js';
import { chokeFade, gainOf, planChokes, velocityGain } from '../modules/playback/gain.js';
import { makeSchedule } from '../modules/playback/schedule.js';

test('six decibels are about twice the amplitude', () => {
  assert.equal(gainOf(0), 1);
  assert.ok(Math.abs(gainOf(20 * Math.log10(2)) - 2) < 1e-12);
  assert.ok(Math.abs(gainOf(-20) - .1) < 1e-12);
});

test('a velocity between two points lies on the line between them', () => {
  const curve = [[20, .1], [60, .5], [100, .7]];
  assert.equal(velocityGain(curve, 60), .5);
  assert.ok(Math.abs(velocityGain(curve, 40) - .3) < 1e-12);
  assert.equal(velocityGain(curve, 1), .1);
  assert.equal(velocityGain(curve, 127), .7);
});

test('a choked stroke falls from its gain to nothing without rising', () => {
  const fade = chokeFade(.8);
  assert.ok(Math.abs(fade[0] - .8) < 1e-6);
  assert.ok(Math.abs(fade.at(-1)) < 1e-6);
  fade.forEach((value, k) => assert.ok(k === 0 || value <= fade[k - 1]));
});

test('a stroke chokes those that still ring', () => {
  const ringing = { when: 1, end: 9 }, over = { when: 0, end: 2 }, voice = { when: 3, end: 8 };
  assert.deepEqual(planChokes([ringing, over], voice), [[ringing, 3]]);
});

test('a stroke is choked by the first one planned after it', () => {
  const first = { when: 4, end: 9 }, second = { when: 6, end: 9 }, voice = { when: 3, end: 8 };
  assert.deepEqual(planChokes([second, first], voice), [[voice, 4]]);
  assert.deepEqual(planChokes([first], { when: 3, end: 4 }), []);   // it ends by itself before
});

test('every stroke is scheduled once, at its time, however the clock is read', () => {
  const events = Array.from({ length: 40 }, (_, k) => ({ time_s: k * .11, slot: `s${k}` }));
  const schedule = makeSchedule(events, 5, 100), taken = [];
  for (let clock = 99; clock < 106; clock += .37) taken.push(...schedule.takeUntil(clock));
  assert.deepEqual(taken.map(([event]) => event), events);
  taken.forEach(([event, when]) => assert.equal(when, 100 + event.time_s));
  assert.ok(schedule.isRead());
});

test('a repeated phrase begins where it ended', () => {
  const schedule = makeSchedule([{ time_s: 0 }, { time_s: .5 }], 2, 10);
  schedule.takeUntil(12);
  schedule.repeat();
  assert.deepEqual(schedule.takeUntil(13).map(([, when]) => when), [12, 12.5]);
  assert.equal(schedule.end(), 14);
});

const buffer = samples => ({ length: samples, numberOfChannels: 1 });   // 4 bytes a sample

test('the least recently used sound goes first', () => {
  const cache = makeBufferCache(1000);
  for (const key of ['a', 'b']) cache.add(key, buffer(100), true);
  cache.use('a');
  cache.add('c', buffer(100), true);
  assert.deepEqual(cache.keys(), ['a', 'c']);
  assert.equal(cache.bytes, 800);
});

test('a sound larger than the cache is kept alone', () => {
  const cache = makeBufferCache(1000);
  cache.add('a', buffer(100), true);
  cache.add('long', buffer(5000), true);
  assert.deepEqual([cache.keys(), cache.bytes], [['long'], 20000]);
});

test('a whole sound takes the place of its preview', () => {
  const cache = makeBufferCache(1000);
  cache.add('a', buffer(50), false);
  cache.add('a', buffer(100), true);
  assert.equal(cache.bytes, 400);
  assert.equal(cache.use('a').whole, true);
  cache.remove('a');
  cache.remove('a');
  assert.equal(cache.bytes, 0);
});

test('of two strokes at one moment the one that joined first is choked', () => {
  const first = { when: 3, end: 9 }, voice = { when: 3, end: 8 };
  assert.deepEqual(planChokes([first], voice), [[first, 3]]);
});

test('a pointer that rests plays nothing once a key has played another hit', async () => {
  globalThis.document = { addEventListener() {} };
  const { makeRest } = await import('../modules/playback/rest.js');
  const played = [], wait = ms => new Promise(done => { setTimeout(done, ms); });
  const player = { nPlays: 0, playsOnHover: true, isAwake: () => true, loadQuietly() {},
    play: hit => { played.push(hit); } };
  const rest = makeRest(player);
  rest.on('under the pointer');
  player.nPlays += 1;                  // the key
  await wait(150);
  assert.deepEqual(played, []);
  rest.on('under the pointer');
  await wait(150);
  assert.deepEqual(played, ['under the pointer']);
});
