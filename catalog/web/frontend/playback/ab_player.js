// A/B listening: two hits looped together at matched level, one of them muted at a time.

import { engine } from './audio_engine.js';
import { UNMATCHED_DB, gainOf } from './gain.js';

const SHORTEST_LOOP_S = .7, LONGEST_LOOP_S = 3, PAUSE_S = .12;
const SWITCH_S = .008;                 // long enough not to click, too short to sound like a fade
const AHEAD_S = .3;                    // how far ahead loops are scheduled

export const loopSeconds = durations =>
  Math.min(LONGEST_LOOP_S, Math.max(SHORTEST_LOOP_S, ...durations)) + PAUSE_S;

export function makeAbPlayer() {
  const player = { side: 'A', nLoops: 0, isRunning: false };
  let gains = [], sources = [], timer = 0, ticket = null;

  const setGains = (glide = 0) => gains.forEach(({ gain }, k) => {
    const target = (k === 0) === (player.side === 'A') ? 1 : 0;
    if (glide) gain.setTargetAtTime(target, engine.ctx.currentTime, glide / 3);
    else gain.value = target;
  });
  const scheduleSource = (hit, buffer, output, when, seconds) => {
    const source = engine.ctx.createBufferSource(), level = engine.ctx.createGain();
    source.buffer = buffer;
    level.gain.value = gainOf(hit.match_db ?? UNMATCHED_DB);
    source.connect(level).connect(output);
    source.start(when);
    source.stop(when + seconds - PAUSE_S / 2);
    source.onended = () => { sources = sources.filter(other => other !== source); };
    sources.push(source);
  };
  const makeMutedGain = () => {
    const gain = engine.ctx.createGain();
    gain.connect(engine.fader);
    return gain;
  };
  player.start = async (...hits) => {  // A, B
    player.stop();
    engine.wake();
    const mine = ticket = {};
    const buffers = await Promise.all(hits.map(engine.load));
    if (ticket !== mine) return;       // stopped or restarted meanwhile
    engine.stop();
    const seconds = loopSeconds(buffers.map(buffer => buffer.duration));
    gains = hits.map(makeMutedGain);
    setGains();
    player.isRunning = true;
    let next = engine.ctx.currentTime + .03;
    const schedule = () => {
      for (; next < engine.ctx.currentTime + AHEAD_S; next += seconds) {
        hits.forEach((hit, k) => scheduleSource(hit, buffers[k], gains[k], next, seconds));
        player.nLoops += 1;
        engine.logStart(hits[player.side === 'A' ? 0 : 1], seconds);
      }
    };
    schedule();
    timer = setInterval(schedule, 1000 * AHEAD_S / 3);
  };
  player.switchTo = (side = player.side === 'A' ? 'B' : 'A') => {
    player.side = side;
    setGains(SWITCH_S);
  };
  player.stop = () => {
    ticket = null;
    player.isRunning = false;
    clearInterval(timer);
    gains.forEach(({ gain }) => gain.setTargetAtTime(0, engine.ctx.currentTime, SWITCH_S / 3));
    sources.forEach(source => source.stop(engine.ctx.currentTime + .03));
    sources = [];
    gains = [];
  };
  return player;
}
