// What is shown of one hit: its waveform and spectrogram, its numbers, its role, its slot in the kit.

import { ROLE_LABELS, SLOT_LABELS, SLOT_OF_ROLE } from '../constants.js';
import { SPECTROGRAM_S, drawSpectrogram } from '../drawing/spectrum.js';
import { drawWaveform } from '../drawing/waveform.js';
import { engine } from '../playback/audio_engine.js';
import { button, el, options } from '../shared/dom.js';
import { formatDecibels, formatHertz, formatSeconds } from '../shared/format.js';

const WAVE_HEIGHT = 64, SPECTROGRAM_HEIGHT = 72;   // CSS pixels
const ROLE_SOURCES = { user: 'set by you', name: 'from its name', sound: 'from its sound',
  example: 'from your examples' };

const describeChannels = n => ({ 1: 'mono', 2: 'stereo' }[n] ?? `${n} channels`);

export function makeNumbers(hit) {
  const { numbers } = hit, note = hit.body_note ? ` (${hit.body_note})` : '';
  const entries = {
    'length': formatSeconds(numbers.length_s), 'attack': formatSeconds(numbers.attack_s),
    'decay by 20 dB': formatSeconds(numbers.decay20_s), 'brightness': formatHertz(numbers.centroid_hz),
    'pitch': hit.pitch_hz ? formatHertz(hit.pitch_hz) + note : 'no clear pitch',
    'loudness': formatDecibels(numbers.loudness_lkfs, 'LKFS'),
    'peak': formatDecibels(numbers.peak_db, 'dBFS'),
    'file': `${hit.format}, ${describeChannels(hit.channels)}`,
  };
  return el('dl', { class: 'numbers' }, ...Object.entries(entries).map(([name, value]) =>
    el('div', {}, el('dt', {}, name), el('dd', {}, value))));
}

export function makePictures() {
  const wave = el('canvas', { 'aria-hidden': 'true' }), spectrogram = el('canvas', { 'aria-hidden': 'true' });
  const axis = el('span', { class: 'axis' },
    `above: the waveform; below: 40 Hz to 16 kHz, first ${Math.round(SPECTROGRAM_S * 1000)} ms`);
  const draw = async (hit, width, isCurrent) => {
    try {
      const buffer = await engine.load(hit);
      if (!isCurrent()) return;
      drawWaveform(wave, buffer, width, WAVE_HEIGHT);
      drawSpectrogram(spectrogram, buffer, width, SPECTROGRAM_HEIGHT);
    } catch (error) { axis.replaceChildren(error.message); }
  };
  return { box: el('div', { class: 'pictures' }, wave, spectrogram, axis), draw };
}

export function makeSlotPicker(hit, assign) {   // assign(slot, id)
  const slots = el('select', { 'aria-label': 'Slot in the kit' }, ...options(SLOT_LABELS));
  slots.value = SLOT_OF_ROLE[hit.role] ?? slots.options[0]?.value ?? '';
  return el('span', { class: 'together' }, slots, button('Put in kit', () => assign(slots.value, hit.id)));
}

export function makeRolePicker(hit, onChange) {   // onChange(role)
  const roles = el('select', { onchange: () => onChange(roles.value) }, ...options(ROLE_LABELS));
  roles.value = hit.role;
  const confidence = hit.role_source === 'user' ? '' : `, ${Math.round(100 * hit.sure)} % certain`;
  const source = ROLE_SOURCES[hit.role_source] ?? 'estimated';
  return el('label', { class: 'role' }, `Role, ${source}${confidence}: `, roles);
}
