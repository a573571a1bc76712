// Pads and keyboards over Web MIDI (W3C): notes after General MIDI, velocity chooses the layer.
// Nothing is asked of the browser before the person presses the button.

import { engine } from './audio_engine.js';
import { striker } from './kit_sampler.js';
import { table } from '../shared/kit_session.js';

const NOTE_ON = 0x90, KIND = 0xF0;     // status byte of a note, whatever its channel (MIDI 1.0)

function makeMidi() {
  const m = { on: false, names: [], words: '', last: null };
  const hearers = new Set();
  let access = null;
  m.hear = hearer => { hearers.add(hearer); hearer(m); return () => hearers.delete(hearer); };
  const tell = () => hearers.forEach(hearer => hearer(m));

  const slotOf = note => table.slots.find(slot => slot.notes.includes(note));
  m.take = event => {
    const [status, note, velocity] = event.data;
    if ((status & KIND) !== NOTE_ON || !velocity) return;   // velocity 0 lets a key go
    const slot = slotOf(note);
    m.last = { note, velocity, slot: slot?.slot ?? null };
    if (slot) striker.strike(slot, velocity);
    m.words = slot ? `Key ${note} plays ${slot.label}, strength ${velocity}` : `Key ${note} has no place in this kit`;
    tell();
  };
  const attach = () => {
    m.names = [];
    access.inputs.forEach(input => {
      if (input.state === 'disconnected') return;
      input.onmidimessage = m.take;
      m.names.push(input.name || 'unnamed');
    });
    m.words = m.names.length ? `Listening to ${m.names.join(', ')}` : 'Nothing is connected yet; plug it in and it is heard at once';
    tell();
  };
  m.connect = async () => {
    engine.wake();
    if (!navigator.requestMIDIAccess) {
      m.words = 'This browser does not pass on pads and keyboards (Web MIDI); the letters play the kit';
      tell();
      return;
    }
    try {
      access = await navigator.requestMIDIAccess({ sysex: false });
      m.on = true;
      access.onstatechange = attach;
      attach();
    } catch (err) {
      m.words = `The browser did not allow it: ${err.message}`;
      tell();
    }
  };
  m.disconnect = () => {
    access?.inputs.forEach(input => { input.onmidimessage = null; });
    if (access) access.onstatechange = null;
    Object.assign(m, { on: false, names: [], words: '' });
    tell();
  };
  return m;
}

const midi = globalThis.__hitMidi ??= makeMidi();

export { midi };
