// A phrase on the kit: events are planned ahead on the audio clock, a little at a time, so that a
// change of the kit is heard in the next stroke and a busy page does not make the drummer stumble.

import { engine } from './audio_engine.js';
import { striker } from './kit_sampler.js';
import { table } from '../shared/kit_session.js';

const AHEAD_S = 0.25, AHEAD_HIDDEN_S = 1.6;    // browsers wake a hidden page once a second only
const TICK_MS = 40;
const LEAD_S = 0.12;                   // before the first stroke

function makePlayer() {
  const p = { events: [], playing: false, again: false, t0: 0, next: 0, left: 0 };
  let timer = 0;
  const hearers = new Set();
  p.hear = hearer => { hearers.add(hearer); return () => hearers.delete(hearer); };
  const tell = () => hearers.forEach(hearer => hearer(p));

  p.plan = until => {                  // everything that begins before `until`, on the audio clock
    while (p.next < p.events.length && p.t0 + p.events[p.next].time_s < until) {
      const event = p.events[p.next++], slot = table.bySlot.get(event.slot);
      if (slot) striker.strike(slot, event.velocity, { when: p.t0 + event.time_s });
    }
  };
  const tick = () => {
    const now = engine.ctx.currentTime;
    p.plan(now + (document.hidden ? AHEAD_HIDDEN_S : AHEAD_S));
    if (p.next < p.events.length) return;
    const end = p.t0 + p.length_s;
    if (p.again) { p.t0 = end; p.next = 0; }
    else if (now > end) p.stop(false);
  };
  p.needed = () => [...new Set(p.events.flatMap(event => {
    const slot = table.bySlot.get(event.slot);
    return slot ? striker.hitsFor(slot, event.velocity) : [];
  }))];
  p.play = async phrase => {           // {name, events: [{time_s, slot, velocity}], length_s}
    p.stop();
    engine.wake();
    Object.assign(p, phrase, { playing: true, next: 0 });
    const mine = p.ticket = {};
    tell();
    await Promise.all(p.needed().map(hit => engine.load(hit).catch(() => null)));
    if (p.ticket !== mine) return;     // stopped or begun anew meanwhile
    striker.forgetTurns();
    p.t0 = engine.ctx.currentTime + LEAD_S;
    p.plan(p.t0 + AHEAD_S);
    timer = setInterval(tick, TICK_MS);
  };
  p.stop = (hush = true) => {
    clearInterval(timer);
    p.ticket = null;
    if (p.playing && hush) striker.hush();
    p.playing = false;
    tell();
  };
  return p;
}

const player = globalThis.__hitPlayer ??= makePlayer();

export { player };
