// The microphones of the chosen stroke: each is played and drawn in place of the one that stands for it.

import { button, el } from '../shared/dom.js';
import { formatDecibels } from '../shared/format.js';

const describe = mic => [
  mic.level_db === null ? '' : formatDecibels(mic.level_db, 'dB'),
  mic.delay_ms ? `${mic.delay_ms.toFixed(2)} ms later` : '',
  mic.polarity < 0 ? 'opposite polarity' : '',
].filter(Boolean).join(', ');

// show(hit): play and draw one of hit.microphones, each with what is needed to play it. Returns '' for one.
export function makeMicrophones(hit, show) {
  if (!(hit.microphones?.length > 1)) return '';
  const buttons = hit.microphones.map(mic => button(mic.microphone || 'no name', () => {
    buttons.forEach((one, k) => one.setAttribute('aria-pressed', String(hit.microphones[k] === mic)));
    show(mic);
  }, { 'aria-pressed': String(mic.id === hit.id) }));
  return el('div', { class: 'actions', role: 'group', 'aria-label': 'Microphones' },
    ...hit.microphones.map((mic, k) => el('span', {}, buttons[k], ' ',
      el('span', { class: 'axis' }, describe(mic)))));
}
