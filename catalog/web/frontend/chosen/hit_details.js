// What is shown of one hit: its numbers and its role.

import { ROLE_LABELS } from '../constants.js';
import { el, options } from '../shared/dom.js';
import { formatDecibels, formatHertz, formatSeconds } from '../shared/format.js';

const SEEN_ALL_DB = -59.95;   // down to -60 dB the decay of a hit is seen
const ROLE_SOURCES = { user: 'set by you', name: 'from its name', sound: 'from its sound',
  example: 'from known hits' };

const describeChannels = n => ({ 1: 'mono', 2: 'stereo' }[n] ?? `${n} channels`);

export function makeNumbers(hit) {
  const { numbers } = hit, note = hit.body_note ? ` (${hit.body_note})` : '';
  const entries = {
    'length': (numbers.seen_db > SEEN_ALL_DB ? 'at least ' : '') + formatSeconds(numbers.length_s),
    'attack': formatSeconds(numbers.attack_s),
    'decay by 20 dB': formatSeconds(numbers.decay20_s), 'brightness': formatHertz(numbers.centroid_hz),
    'pitch': hit.pitch_hz ? formatHertz(hit.pitch_hz) + note : 'no clear pitch',
    'loudness': formatDecibels(numbers.loudness_lkfs, 'LKFS'),
    'peak': formatDecibels(numbers.peak_db, 'dBFS'),
    'file': `${hit.format}, ${describeChannels(hit.channels)}`,
  };
  return el('dl', { class: 'numbers' }, ...Object.entries(entries).map(([name, value]) =>
    el('div', {}, el('dt', {}, name), el('dd', {}, value))));
}

export function makeRolePicker(hit, onChange) {   // onChange(role); "" returns to the automatic role
  const roles = el('select', { onchange: () => onChange(roles.value) }, ...options(ROLE_LABELS),
    hit.role_source === 'user' ? el('option', { value: '' }, 'automatic') : null);
  roles.value = hit.role;
  const confidence = hit.role_source === 'user' ? '' : `, ${Math.round(100 * hit.sure)} % certain`;
  const source = ROLE_SOURCES[hit.role_source] ?? 'estimated';
  const why = (hit.role_why ?? []).join('; ');
  return el('label', { class: 'role', title: why }, `Role, ${source}${confidence}: `, roles,
    hit.is_misnamed ? el('span', { class: 'why' }, ` ${hit.role_why[1]}`) : null);
}
