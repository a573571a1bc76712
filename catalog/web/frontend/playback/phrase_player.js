// Plays a phrase on the kit. Strokes are scheduled a little ahead, so that a change of the kit affects
// the next stroke and a busy page does not delay one.

import { kitSession } from '../shared/kit_session.js';
import { engine } from './audio_engine.js';
import { sampler } from './kit_sampler.js';
import { makeSchedule } from './schedule.js';

const AHEAD_S = .25, AHEAD_HIDDEN_S = 1.6;   // browsers wake a hidden page once a second only
const TICK_MS = 40;
const LEAD_S = .12;                    // before the first stroke

function makePhrasePlayer() {
  const player = { isPlaying: false, repeats: false, schedule: null };
  const listeners = new Set();
  let timer = 0, ticket = null;
  const notify = () => listeners.forEach(listener => listener());
  player.subscribe = listener => { listeners.add(listener); return () => listeners.delete(listener); };

  const scheduleUntil = time => {
    for (const [event, when] of player.schedule.takeUntil(time)) {
      const slot = kitSession.bySlot.get(event.slot);
      if (slot) sampler.trigger(slot, event.velocity, { when });
    }
  };
  const tick = () => {
    const now = engine.ctx.currentTime;
    scheduleUntil(now + (document.hidden ? AHEAD_HIDDEN_S : AHEAD_S));
    if (!player.schedule.isRead()) return;
    if (player.repeats) player.schedule.repeat();
    else if (now > player.schedule.end()) end();
  };
  const hitsOf = events => new Set(events.flatMap(({ slot, velocity }) =>
    kitSession.bySlot.has(slot) ? sampler.hitsFor(kitSession.bySlot.get(slot), velocity) : []));
  player.play = async ({ events, length_s }) => {   // events: [{time_s, slot, velocity}]
    player.stop();
    engine.wake();
    player.isPlaying = true;
    const mine = ticket = {};
    notify();
    await Promise.all([...hitsOf(events)].map(engine.loadQuietly));
    if (ticket !== mine) return;       // stopped or restarted meanwhile
    sampler.resetRoundRobins();
    player.schedule = makeSchedule(events, length_s, engine.ctx.currentTime + LEAD_S);
    scheduleUntil(player.schedule.start + AHEAD_S);
    timer = setInterval(tick, TICK_MS);
  };
  const end = () => {                  // strokes that still ring are left to end
    clearInterval(timer);
    ticket = null;
    player.isPlaying = false;
    notify();
  };
  player.stop = () => {
    if (player.isPlaying) sampler.stopAll();
    end();
  };
  return player;
}

export const phrasePlayer = makePhrasePlayer();
