// One audio engine for the whole page: hits at matched level through one fader and a limiter.

import { MAX_IDS } from '../constants.js';
import { reportError } from '../shared/errors.js';
import { fetchBytes } from '../shared/http.js';
import { makeBufferCache } from './buffer_cache.js';
import { UNMATCHED_DB, gainOf } from './gain.js';
import { unpackPreviews } from './previews.js';

const MAX_CACHE_BYTES = 96 * 2 ** 20;  // of decoded audio; 1 s of stereo at 48 kHz takes 0.4 MB
const START_LEVEL_DB = -12;            // low on purpose; the user can raise it
const LIMITER = { threshold: -6, knee: 0, ratio: 20, attack: .001, release: .1 };
// Web Audio adds this gain to a compressor (its standard, "make-up gain"); it is removed here.
const MAKEUP_DB = .6 * (6 - 6 / 20);
const FADE_S = .006;                   // an audition that is cut short must not click
const N_PREVIEWS = Math.min(48, MAX_IDS);   // in one request: 1.7 MB
const MAX_FIRST_S = 1.2;               // of the first hit when two are played in turn
const PAUSE_S = .15;                   // between these two

function readSetting(name, fallback) {
  try { return localStorage.getItem(`hits.${name}`) ?? fallback; } catch { return fallback; }
}
function writeSetting(name, value) {
  try { localStorage.setItem(`hits.${name}`, value); } catch { /* a private window keeps nothing */ }
}

const keyOf = hit => `${hit.id}:${hit.stamp}`;

function makeEngine() {
  const cache = makeBufferCache(MAX_CACHE_BYTES);
  const loads = new Map();             // key -> promise of a whole hit
  const previewIds = new Set();        // ids of previews on their way
  // nPlays: how often a click or a key has played; nStarts: how many sounds have started.
  // sounding: the hit that is auditioned, or null; listeners are called when it changes.
  const engine = { ctx: null, fader: null, cache, nPlays: 0, nStarts: 0, lastStart: null,
    sounding: null, listeners: new Set(), beforeStart: () => {} };
  const setSounding = hit => {
    engine.sounding = hit;
    engine.listeners.forEach(listener => listener());
  };
  engine.levelDb = Number(readSetting('level', START_LEVEL_DB));
  engine.playsOnHover = readSetting('rest', 'on') !== 'off';
  let voice = null, ticket = null;     // what is auditioned; which request may still start

  const buildGraph = () => {
    engine.ctx = new AudioContext({ latencyHint: 'interactive' });
    engine.fader = engine.ctx.createGain();
    const limiter = engine.ctx.createDynamicsCompressor(), undoMakeup = engine.ctx.createGain();
    Object.entries(LIMITER).forEach(([name, value]) => { limiter[name].value = value; });
    undoMakeup.gain.value = gainOf(-MAKEUP_DB);
    engine.fader.gain.value = gainOf(engine.levelDb);
    engine.fader.connect(limiter).connect(undoMakeup).connect(engine.ctx.destination);
  };
  engine.wake = () => {                // browsers allow sound only after a click or a key
    if (!engine.ctx) buildGraph();
    if (engine.ctx.state === 'suspended') engine.ctx.resume();
  };
  engine.isAwake = () => engine.ctx?.state === 'running';

  engine.setLevel = db => {
    engine.levelDb = db;
    writeSetting('level', db);
    engine.fader?.gain.setTargetAtTime(gainOf(db), engine.ctx.currentTime, .02);
  };
  engine.setPlaysOnHover = on => {
    engine.playsOnHover = on;
    writeSetting('rest', on ? 'on' : 'off');
  };

  const fetchBuffer = async (hit, key) => {
    try {
      const bytes = await fetchBytes(hit.url ?? `/api/hit/${hit.id}/${hit.stamp}.wav`);
      const decoder = engine.ctx ?? new OfflineAudioContext(1, 1, 44100);
      const buffer = await decoder.decodeAudioData(bytes);
      cache.add(key, buffer, true);
      return buffer;
    } finally { loads.delete(key); }
  };
  engine.load = hit => {               // the whole hit
    const key = keyOf(hit), entry = cache.use(key);
    if (entry?.whole) return Promise.resolve(entry.buffer);
    if (!loads.has(key)) loads.set(key, fetchBuffer(hit, key));
    return loads.get(key);
  };
  engine.loadQuietly = hit => engine.load(hit).catch(() => null);

  const keepPreview = (hit, samples, sr) => {
    if (!samples.length || cache.has(keyOf(hit))) return;
    const buffer = new AudioBuffer({ length: samples.length, numberOfChannels: 1, sampleRate: sr });
    buffer.copyToChannel(samples, 0);
    cache.add(keyOf(hit), buffer, false);
  };
  engine.prefetch = async hits => {    // the first moments of many hits in one request
    const wanted = [...new Map(hits.map(hit => [hit.id, hit])).values()]
      .filter(hit => !cache.has(keyOf(hit)) && !previewIds.has(hit.id)).slice(0, N_PREVIEWS);
    if (!wanted.length) return;
    wanted.forEach(hit => previewIds.add(hit.id));
    try {
      const body = await fetchBytes(`/api/preview?ids=${wanted.map(hit => hit.id).join(',')}`);
      const { sr, previews } = unpackPreviews(body);
      wanted.forEach((hit, k) => keepPreview(hit, previews[k], sr));
    } catch { /* a hit without a preview is fetched whole when it is played */ }
    finally { wanted.forEach(hit => previewIds.delete(hit.id)); }
  };
  engine.cached = hit => cache.use(keyOf(hit));

  engine.logStart = (hit, seconds, from = 0) => {
    engine.nStarts += 1;
    engine.lastStart = { id: hit.id, at: performance.now(), seconds, from };
  };
  // Start a buffer at its hit's matched level; `alone` stops the audition before it.
  engine.start = (buffer, hit, { when = 0, alone = true, from = 0, seconds } = {}) => {
    if (!engine.ctx) return null;
    const source = engine.ctx.createBufferSource(), gain = engine.ctx.createGain();
    source.buffer = buffer;
    gain.gain.value = gainOf(hit.match_db ?? UNMATCHED_DB);
    source.connect(gain).connect(engine.fader);
    if (alone) {
      engine.beforeStart(hit);
      engine.stop();
      voice = { source, gain };
      source.onended = () => { if (voice?.source === source) { voice = null; setSounding(null); } };
    }
    source.start(when, from, seconds);
    if (alone) setSounding(hit);
    engine.logStart(hit, Math.min(seconds ?? Infinity, buffer.duration - from), from);
    return { source, gain };
  };
  engine.stop = () => {
    if (voice) {
      const now = engine.ctx.currentTime;
      voice.gain.gain.setTargetAtTime(0, now, FADE_S / 3);
      try { voice.source.stop(now + 2 * FADE_S); } catch { /* it has ended by itself */ }
    }
    voice = ticket = null;
    if (engine.sounding) setSounding(null);
  };

  // A click or a key plays the whole hit; a pointer that rests (brief) plays whatever is cached first.
  engine.play = async (hit, { brief = false, ...part } = {}) => {
    if (brief && !engine.isAwake()) return;
    if (!brief) { engine.nPlays += 1; engine.wake(); }
    const entry = engine.cached(hit);
    if (entry && (entry.whole || brief)) { engine.start(entry.buffer, hit, part); return; }
    engine.stop();
    const mine = ticket = {};
    const buffer = await engine.load(hit).catch(reportError);
    if (buffer && ticket === mine) engine.start(buffer, hit, part);   // nothing else was started since
  };
  engine.playInTurn = async (first, second) => {
    engine.wake();
    const buffers = await Promise.all([engine.load(first), engine.load(second)]).catch(reportError);
    if (!buffers) return;
    const now = engine.ctx.currentTime + .02;
    const gap = Math.min(buffers[0].duration, MAX_FIRST_S) + PAUSE_S;
    const { gain } = engine.start(buffers[0], first, { when: now });
    gain.gain.setTargetAtTime(0, now + gap - .05, .01);
    engine.start(buffers[1], second, { when: now + gap, alone: false });
  };
  return engine;
}

export const engine = makeEngine();

['pointerdown', 'keydown'].forEach(kind =>
  document.addEventListener(kind, engine.wake, { capture: true, passive: true }));
