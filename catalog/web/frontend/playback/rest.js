// Play the hit on which the pointer rests; one that only passes by plays nothing, and neither does
// one that rests while a click or a key plays something else.

import { engine } from './audio_engine.js';

const REST_MS = 70, PREFETCH_MS = 25;

export function makeRest(player = engine) {
  let timers = [];
  const rest = {};
  const play = (hit, nPlays) => {
    if (player.nPlays === nPlays) player.play(hit, { brief: true });
  };
  rest.on = hit => {                   // null when the pointer leaves
    timers.forEach(clearTimeout);
    timers = [];
    if (!hit || !player.playsOnHover || !player.isAwake()) return;
    timers = [setTimeout(player.loadQuietly, PREFETCH_MS, hit),
      setTimeout(play, REST_MS, hit, player.nPlays)];
  };
  rest.prefetch = hits => { if (player.isAwake() && player.playsOnHover) player.prefetch(hits); };
  return rest;
}
