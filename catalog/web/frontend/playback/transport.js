// What sounds now: a hit, a loop of it, or two hits compared; and one way to stop everything.

import { makeAbPlayer } from './ab_player.js';
import { engine } from './audio_engine.js';
import { sampler } from './kit_sampler.js';
import { phrasePlayer } from './phrase_player.js';

function makeTransport() {
  const player = makeAbPlayer();
  // hit: the last one played; before: the one before it; pair: the two hits compared, or null
  const transport = { player, hit: null, before: null, pair: null, loops: false, stops: new Set() };
  const listeners = new Set();
  const notify = () => listeners.forEach(listener => listener());
  transport.subscribe = listener => { listeners.add(listener); return () => listeners.delete(listener); };
  transport.isSounding = () =>
    Boolean(engine.sounding) || player.isRunning || phrasePlayer.isPlaying || sampler.voices.size > 0;

  engine.listeners.add(() => {
    const { sounding } = engine;
    if (sounding && sounding.id !== transport.hit?.id) {
      Object.assign(transport, { before: transport.hit, hit: sounding });
    }
    notify();
  });
  engine.beforeStart = () => {         // another hit ends what loops
    player.stop();
    transport.pair = null;
  };
  transport.play = async hit => {      // once, or again and again
    transport.pair = null;
    player.stop();
    if (!transport.loops) { await engine.play(hit); notify(); return; }
    if (hit.id !== transport.hit?.id) Object.assign(transport, { before: transport.hit, hit });
    await player.start(hit);
    notify();
  };
  transport.compare = async (a, b) => {   // both loop together, and b sounds first
    Object.assign(transport, { pair: [a, b], hit: b });
    player.side = 'B';
    const started = player.start(a, b);
    notify();
    await started;
    notify();
  };
  transport.switchSide = () => {
    if (!transport.pair) return;
    if (!player.isRunning) { transport.compare(...transport.pair); return; }
    player.switchTo();
    transport.hit = transport.pair[player.side === 'A' ? 0 : 1];
    notify();
  };
  transport.setLoops = loops => {
    transport.loops = loops;
    if (!loops && !transport.pair) player.stop();
    else if (loops && transport.hit && engine.sounding) transport.play(transport.hit);
    notify();
  };
  transport.stop = () => {             // everything, everywhere
    transport.pair = null;
    player.stop();
    engine.stop();
    phrasePlayer.stop();
    sampler.stopAll();
    transport.stops.forEach(stop => stop());
    notify();
  };
  phrasePlayer.subscribe(notify);
  sampler.listeners.add(notify);
  return transport;
}

export const transport = makeTransport();
