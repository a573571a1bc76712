// Strokes of the kit: velocity chooses the layer, round robins take turns, hats stop each other.
// Times are those of the audio clock, so that what is planned ahead sounds on its sample.

import { gainOf, engine } from './audio_engine.js';
import { table } from '../shared/kit_session.js';

const CHOKE_S = 0.05;                  // in which a choked stroke dies away, as in the export
const CHOKE_STEPS = 64;
const LOG_LENGTH = 512;                // strokes remembered for whoever looks into the page

const fallFrom = gain => Float32Array.from({ length: CHOKE_STEPS },
  (_, k) => gain * (0.5 + 0.5 * Math.cos(Math.PI * k / (CHOKE_STEPS - 1))));

// Amplitude that velocity asks for under the strength of the weakest layer: straight lines between points.
function velocityGain(curve, velocity) {
  const k = curve.findIndex(([v]) => v >= velocity);
  if (k < 0) return curve[curve.length - 1][1];
  if (k === 0) return curve[0][1];
  const [v0, g0] = curve[k - 1], [v1, g1] = curve[k];
  return g0 + (g1 - g0) * (velocity - v0) / (v1 - v0);
}

function makeStriker() {
  const s = { log: [], live: new Set() };
  const turns = new Map(), held = new Map();   // "slot:layer" -> strokes so far; choke group -> its voices

  s.forgetTurns = () => turns.clear();
  s.pick = (slot, velocity) => {       // the stroke whose turn it is
    const k = slot.layers.findIndex(layer => velocity >= layer.lowest && velocity <= layer.highest);
    const layer = slot.layers[k], key = `${slot.slot}:${k}`, turn = turns.get(key) ?? 0;
    turns.set(key, turn + 1);
    return { hit: table.hits.get(layer.ids[turn % layer.ids.length]), layer: k + 1 };
  };
  s.hitsFor = (slot, velocity) =>
    slot.layers.find(l => velocity >= l.lowest && velocity <= l.highest).ids.map(id => table.hits.get(id));

  // A voice in any context, so that a test can render what the page plays.
  s.voiceIn = (ctx, out, buffer, { gain, when, semitones = 0 }) => {
    const source = ctx.createBufferSource(), amp = ctx.createGain();
    source.buffer = buffer;
    source.playbackRate.value = 2 ** (semitones / 12);
    amp.gain.value = gain;
    source.connect(amp).connect(out);
    source.start(when);
    return { source, amp, gain, when, end: when + buffer.duration / source.playbackRate.value, choked: false };
  };
  s.choke = (voice, when) => {
    if (voice.choked) return;
    voice.choked = true;
    voice.amp.gain.setValueCurveAtTime(fallFrom(voice.gain), when, CHOKE_S);
    voice.source.stop(when + CHOKE_S);
  };

  // A stroke stops those of its group that began before it, and is stopped by one planned after it.
  const join = voice => {
    const group = (held.get(voice.group) ?? []).filter(other => s.live.has(other) && !other.choked);
    const stop = (one, when) => { if (one.end > when) s.choke(one, when); };   // one that is over by then stays
    group.filter(other => other.when <= voice.when).forEach(other => stop(other, voice.when));
    const later = group.filter(other => other.when > voice.when);
    if (later.length) stop(voice, Math.min(...later.map(other => other.when)));
    held.set(voice.group, [...later, voice]);
  };

  const sound = (buffer, slot, hit, { velocity, when, layer }) => {
    const at = Math.max(when, engine.ctx.currentTime);
    const gain = gainOf(slot.gain_db + hit.over_db) * velocityGain(slot.curve, velocity);
    const voice = s.voiceIn(engine.ctx, engine.fader, buffer, { gain, when: at, semitones: slot.semitones });
    voice.group = slot.choke;
    s.live.add(voice);
    voice.source.onended = () => s.live.delete(voice);
    if (slot.choke) join(voice);
    engine.starts += 1;
    engine.last = { id: hit.id, at: performance.now(), seconds: buffer.duration };
    s.log.push({ slot: slot.slot, id: hit.id, velocity, layer, when: at, end: voice.end, gain });
    if (s.log.length > LOG_LENGTH) s.log.shift();
    s.seen?.(slot.slot, at);
    return voice;
  };

  // Strike a place: now, or at a moment of the audio clock. `own` names one stroke of it.
  s.strike = (slot, velocity = 100, { when = 0, own = null } = {}) => {
    engine.wake();
    const { hit, layer } = own ? { hit: own, layer: null } : s.pick(slot, velocity);
    const entry = engine.ready(hit);
    if (entry?.whole) return sound(entry.buffer, slot, hit, { velocity, when, layer });
    return engine.load(hit).then(buffer => sound(buffer, slot, hit, { velocity, when, layer })).catch(() => null);
  };
  // Everything that sounds or is planned ends.
  s.hush = () => {
    const now = engine.ctx?.currentTime ?? 0;
    s.live.forEach(voice => {
      if (voice.when > now) { try { voice.source.stop(); } catch { /* it has ended by itself */ } s.live.delete(voice); }
      else s.choke(voice, now);
    });
    held.clear();
  };
  return s;
}

const striker = globalThis.__hitStriker ??= makeStriker();

export { striker };
