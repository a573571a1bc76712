// Play the hit on which the pointer rests; one that only passes by plays nothing.

import { engine } from './audio_engine.js';

const REST_MS = 70, PREFETCH_MS = 25;

export function makeRest() {
  let timers = [];
  const rest = {};
  rest.on = hit => {                   // null when the pointer leaves
    timers.forEach(clearTimeout);
    timers = [];
    if (!hit || !engine.playsOnHover || !engine.isAwake()) return;
    timers = [setTimeout(engine.loadQuietly, PREFETCH_MS, hit),
      setTimeout(engine.play, REST_MS, hit, { brief: true })];
  };
  rest.prefetch = hits => { if (engine.isAwake() && engine.playsOnHover) engine.prefetch(hits); };
  return rest;
}
