// Pads and keyboards over Web MIDI (W3C): notes after General MIDI, velocity chooses the layer.
// Access is requested only when the user presses the button.

import { kitSession } from '../shared/kit_session.js';
import { engine } from './audio_engine.js';
import { sampler } from './kit_sampler.js';

const NOTE_ON = 0x90, STATUS_KIND = 0xF0;   // without the channel (MIDI 1.0)

// Return {note, velocity} of a note that is struck, else null.
export function readNoteOn([status, note, velocity]) {
  return (status & STATUS_KIND) === NOTE_ON && velocity ? { note, velocity } : null;   // 0: released
}

function makeMidiInput() {
  const midi = { isOn: false, status: '' };
  const listeners = new Set();
  let access = null;
  midi.subscribe = listener => {
    listeners.add(listener);
    listener();
    return () => listeners.delete(listener);
  };
  const setStatus = status => {
    midi.status = status;
    listeners.forEach(listener => listener());
  };
  const onMessage = event => {
    const played = readNoteOn(event.data);
    if (!played) return;
    const { note, velocity } = played, slot = kitSession.slots.find(({ notes }) => notes.includes(note));
    if (slot) sampler.trigger(slot, velocity);
    setStatus(slot ? `Note ${note} plays ${slot.label}, velocity ${velocity}`
      : `Note ${note} has no slot in this kit`);
  };
  const attachInputs = () => {
    const inputs = [...access.inputs.values()].filter(input => input.state !== 'disconnected');
    inputs.forEach(input => { input.onmidimessage = onMessage; });
    setStatus(inputs.length ? `Connected: ${inputs.map(input => input.name || 'unnamed').join(', ')}`
      : 'No MIDI input is connected yet; plug one in and it plays at once');
  };
  midi.connect = async () => {
    engine.wake();
    if (!navigator.requestMIDIAccess) {
      setStatus('This browser does not support Web MIDI; play the kit with the letters');
      return;
    }
    try {
      access = await navigator.requestMIDIAccess({ sysex: false });
      midi.isOn = true;
      access.onstatechange = attachInputs;
      attachInputs();
    } catch (error) {
      setStatus(`The browser denied MIDI access: ${error.message}`);
    }
  };
  midi.disconnect = () => {
    access?.inputs.forEach(input => { input.onmidimessage = null; });
    if (access) access.onstatechange = null;
    midi.isOn = false;
    setStatus('');
  };
  return midi;
}

export const midiInput = makeMidiInput();
