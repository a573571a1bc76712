// One sound engine for the whole page: decoded hits kept up to a limit in bytes, one fader, a limiter.
// Everything is played at a matched level through the fader, so that no hit jumps out.

const KEEP_BYTES = 96 * 2 ** 20;       // decoded audio kept; 1 s stereo at 48 kHz is 0.4 MB
const START_LEVEL_DB = -12;            // modest on purpose; the person turns it up
const LIMIT_DB = -6;                   // above it the limiter holds
const MAKEUP_DB = 0.6 * (6 - 6 / 20);  // Web Audio adds this to a compressor of -6 dB, 20:1 (its
                                       // standard, "make-up gain"); it is taken out again
const FADE_S = 0.006;                  // an audition that is cut short must not click
const BATCH = 48;                      // previews in one request; the server allows 64

const NO_SERVER = 'The page gets no answer. Is its program still running? Start it again; this page then goes on by itself.';
const TROUBLE_S = 8;                   // long enough to be read

function tellTrouble(error) {          // shown by each view, see main.js
  const words = error instanceof TypeError ? NO_SERVER : error.message;   // fetch throws it when nobody answers
  document.dispatchEvent(new CustomEvent('hits-trouble', { detail: words }));
}

const gainOf = db => 10 ** (db / 20);

function makeEngine() {
  const kept = new Map();              // "id:stamp" -> {buffer, bytes, whole}; oldest use first
  const pending = new Map();
  const e = { ctx: null, bytes: 0, starts: 0, last: null, voice: null, kept };
  e.levelDb = Number(readSetting('level', START_LEVEL_DB));
  e.rest = readSetting('rest', 'on') !== 'off';

  e.wake = () => {                     // browsers allow sound only after a click or a key
    if (!e.ctx) {
      e.ctx = new AudioContext({ latencyHint: 'interactive' });
      e.fader = e.ctx.createGain();
      const limiter = e.ctx.createDynamicsCompressor();
      Object.entries({ threshold: LIMIT_DB, knee: 0, ratio: 20, attack: 0.001, release: 0.1 })
        .forEach(([name, value]) => { limiter[name].value = value; });
      const undo = e.ctx.createGain();
      undo.gain.value = gainOf(-MAKEUP_DB);
      e.fader.gain.value = gainOf(e.levelDb);
      e.fader.connect(limiter).connect(undo).connect(e.ctx.destination);
    }
    if (e.ctx.state === 'suspended') e.ctx.resume();
  };
  e.awake = () => e.ctx?.state === 'running';

  e.setLevel = db => {
    e.levelDb = db;
    writeSetting('level', db);
    if (e.ctx) e.fader.gain.setTargetAtTime(gainOf(db), e.ctx.currentTime, 0.02);
  };
  e.setRest = on => { e.rest = on; writeSetting('rest', on ? 'on' : 'off'); };

  const keep = (key, buffer, whole) => {
    drop(key);
    const bytes = buffer.length * buffer.numberOfChannels * 4;
    kept.set(key, { buffer, bytes, whole });
    e.bytes += bytes;
    for (const old of kept.keys()) {
      if (e.bytes <= KEEP_BYTES || old === key) break;
      drop(old);
    }
  };
  const drop = key => {
    const entry = kept.get(key);
    if (entry) { e.bytes -= entry.bytes; kept.delete(key); }
  };
  const look = key => {
    const entry = kept.get(key);
    if (entry) { kept.delete(key); kept.set(key, entry); }
    return entry;
  };

  e.load = hit => {                    // the whole hit
    const key = `${hit.id}:${hit.stamp}`, entry = look(key);
    if (entry?.whole) return Promise.resolve(entry.buffer);
    if (pending.has(key)) return pending.get(key);
    const job = fetch(hit.url ?? `/api/hit/${hit.id}/${hit.stamp}.wav`)
      .then(answer => answer.ok ? answer.arrayBuffer() : answer.text().then(t => { throw new Error(t); }))
      .then(bytes => (e.ctx ?? new OfflineAudioContext(1, 1, 44100)).decodeAudioData(bytes))
      .then(buffer => { keep(key, buffer, true); return buffer; })
      .finally(() => pending.delete(key));
    pending.set(key, job);
    return job;
  };

  e.prefetch = async hits => {         // the first moments of many, in one request
    const wanted = [...new Map(hits.map(h => [h.id, h])).values()].filter(h => !kept.has(`${h.id}:${h.stamp}`) &&
      !pending.has(`p${h.id}`))
      .slice(0, BATCH);
    if (!wanted.length) return;
    wanted.forEach(h => pending.set(`p${h.id}`, true));
    try {
      const answer = await fetch(`/api/preview?ids=${wanted.map(h => h.id).join(',')}`);
      if (!answer.ok) return;
      const body = await answer.arrayBuffer(), head = new Uint32Array(body, 0, 2 + wanted.length);
      let at = 4 * head.length;
      wanted.forEach((h, k) => {
        const n = head[2 + k];
        if (n && !kept.has(`${h.id}:${h.stamp}`)) {
          const buffer = new AudioBuffer({ length: n, numberOfChannels: 1, sampleRate: head[0] });
          const to = buffer.getChannelData(0), from = new Int16Array(body, at, n);
          for (let i = 0; i < n; i++) to[i] = from[i] / 32768;
          keep(`${h.id}:${h.stamp}`, buffer, false);
        }
        at += 2 * n;
      });
    } catch { /* a preview that does not come is fetched whole when it is wanted */ }
    finally { wanted.forEach(h => pending.delete(`p${h.id}`)); }
  };

  e.forget = drop;
  e.ready = hit => look(`${hit.id}:${hit.stamp}`);

  e.sound = (buffer, hit, { when = 0, alone = true, from = 0, seconds } = {}) => {
    if (!e.ctx) return null;
    const source = e.ctx.createBufferSource(), gain = e.ctx.createGain();
    source.buffer = buffer;
    gain.gain.value = gainOf(hit.match_db ?? -12);
    source.connect(gain).connect(e.fader);
    if (alone) { e.hush(); e.voice = { source, gain }; }
    source.start(when, from, seconds);
    e.starts += 1;
    e.last = { id: hit.id, at: performance.now(), seconds: Math.min(seconds ?? Infinity, buffer.duration - from), from };
    return { source, gain };
  };
  e.fade = voice => {
    if (!voice) return;
    const now = e.ctx.currentTime;
    voice.gain.gain.setTargetAtTime(0, now, FADE_S / 3);
    try { voice.source.stop(now + 2 * FADE_S); } catch { /* it has ended by itself */ }
  };
  e.hush = () => { e.fade(e.voice); e.voice = null; e.wanted = null; };

  // press: the whole hit; rest: whatever is there first
  e.play = async (hit, { brief = false, ...part } = {}) => {
    if (brief && !e.awake()) return;
    if (!brief) e.wake();
    const entry = e.ready(hit);
    if (entry && (entry.whole || brief)) { e.sound(entry.buffer, hit, part); return; }
    const ticket = {};
    e.hush();
    e.wanted = ticket;
    const buffer = await e.load(hit).catch(tellTrouble);
    if (buffer && e.wanted === ticket) e.sound(buffer, hit, part);   // not if another was chosen meanwhile
  };
  e.playBoth = async (first, second) => {
    e.wake();
    const both = await Promise.all([e.load(first), e.load(second)]).catch(tellTrouble);
    if (!both) return;
    const [a, b] = both;
    const gap = Math.min(a.duration, 1.2) + 0.15, now = e.ctx.currentTime + 0.02;
    const one = e.sound(a, first, { when: now });
    one.gain.gain.setTargetAtTime(0, now + gap - 0.05, 0.01);
    e.sound(b, second, { when: now + gap, alone: false });
  };

  return e;
}

function readSetting(name, fallback) {
  try { return localStorage.getItem(`hits.${name}`) ?? fallback; } catch { return fallback; }
}
function writeSetting(name, value) {
  try { localStorage.setItem(`hits.${name}`, value); } catch { /* private window: not remembered */ }
}

const engine = globalThis.__hitEngine ??= makeEngine();
if (!globalThis.__hitWake) {
  globalThis.__hitWake = true;
  ['pointerdown', 'keydown'].forEach(kind =>
    document.addEventListener(kind, () => engine.wake(), { capture: true, passive: true }));
}

export { TROUBLE_S, tellTrouble, gainOf, engine };
