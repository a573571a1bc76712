// Plays the kit: velocity chooses the layer, round robins take turns, choke groups stop each other.
// Times are those of the audio clock, so that what is scheduled ahead is exact to the sample.

import { CHOKE_S } from '../constants.js';
import { kitSession } from '../shared/kit_session.js';
import { engine } from './audio_engine.js';
import { chokeFade, gainOf, planChokes, velocityGain } from './gain.js';

const MAX_LOG = 512;                   // strokes kept for tests

function makeKitSampler() {
  const sampler = { log: [], voices: new Set(), listeners: new Set() };   // listeners get (slot, when)
  const turns = new Map();             // "slot:layer" -> strokes so far
  const groups = new Map();            // choke group -> its voices

  const layerAt = (slot, velocity) =>
    slot.layers.findIndex(layer => velocity >= layer.lowest && velocity <= layer.highest);
  const nextRoundRobin = (slot, velocity) => {
    const k = layerAt(slot, velocity), { ids } = slot.layers[k], key = `${slot.slot}:${k}`;
    const turn = turns.get(key) ?? 0;
    turns.set(key, turn + 1);
    return { hit: kitSession.hits.get(ids[turn % ids.length]), layer: k + 1 };
  };
  sampler.resetRoundRobins = () => turns.clear();
  sampler.hitsFor = (slot, velocity) =>
    slot.layers[layerAt(slot, velocity)].ids.map(id => kitSession.hits.get(id));

  const choke = (voice, when) => {
    if (voice.isChoked) return;
    voice.isChoked = true;
    voice.amp.gain.setValueCurveAtTime(chokeFade(voice.gain), when, CHOKE_S);
    voice.source.stop(when + CHOKE_S);
  };
  const joinGroup = (voice, name) => {
    const group = (groups.get(name) ?? []).filter(other => sampler.voices.has(other) && !other.isChoked);
    planChokes(group, voice).forEach(([choked, when]) => choke(choked, when));
    groups.set(name, [...group.filter(other => other.when > voice.when), voice]);
  };
  const startVoice = (buffer, { gain, when, semitones }) => {
    const source = engine.ctx.createBufferSource(), amp = engine.ctx.createGain();
    source.buffer = buffer;
    source.playbackRate.value = 2 ** (semitones / 12);
    amp.gain.value = gain;
    source.connect(amp).connect(engine.fader);
    source.start(when);
    const voice = { source, amp, gain, when, end: when + buffer.duration / source.playbackRate.value };
    sampler.voices.add(voice);
    source.onended = () => sampler.voices.delete(voice);
    return voice;
  };
  const play = (buffer, slot, hit, { velocity, when, layer }) => {
    const start = Math.max(when, engine.ctx.currentTime);
    const gain = gainOf(slot.gain_db + hit.over_db) * velocityGain(slot.curves[hit.id], velocity);
    const voice = startVoice(buffer, { gain, when: start, semitones: slot.semitones });
    if (slot.choke) joinGroup(voice, slot.choke);
    engine.logStart(hit, buffer.duration);
    sampler.log.push({ slot: slot.slot, id: hit.id, velocity, layer, when: start, end: voice.end, gain });
    if (sampler.log.length > MAX_LOG) sampler.log.shift();
    sampler.listeners.forEach(listener => listener(slot.slot, start));
  };

  // Play a slot at once, or at a time of the audio clock; `only` plays this hit of the slot.
  sampler.trigger = (slot, velocity, { when = 0, only = null } = {}) => {
    engine.wake();
    const { hit, layer } = only ? { hit: only, layer: null } : nextRoundRobin(slot, velocity);
    const entry = engine.cached(hit), stroke = { velocity, when, layer };
    if (entry?.whole) play(entry.buffer, slot, hit, stroke);
    else engine.load(hit).then(buffer => play(buffer, slot, hit, stroke)).catch(() => {});
  };
  sampler.stopAll = () => {            // also what is scheduled
    const now = engine.ctx?.currentTime ?? 0;
    sampler.voices.forEach(voice => {
      if (voice.when <= now) { choke(voice, now); return; }
      voice.source.stop();
      sampler.voices.delete(voice);
    });
    groups.clear();
  };
  return sampler;
}

export const sampler = makeKitSampler();
