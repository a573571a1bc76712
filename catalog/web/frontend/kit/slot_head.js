// The head of the chosen slot: its hit, why it was chosen in one sentence, and what can be done with it.

import { markIcon } from '../drawing/marks.js';
import { button, el } from '../shared/dom.js';
import { describeOrigin } from '../shared/format.js';
import { kitSession } from '../shared/kit_session.js';
import { makeExchange } from './slot_cards.js';

const LOWEST_DB = -24, HIGHEST_DB = 12, MOST_SEMITONES = 12;

// ["from the session of …", "as bright …", "but more noise …"] as one sentence.
export function joinReasons(reasons) {
  if (!reasons.length) return '';
  const text = reasons.join('; ');      // they hold commas
  return `${text[0].toUpperCase()}${text.slice(1)}.`;
}

function makeNumber(label, unit, value, { low, high, step, set }) {
  const field = el('input', { type: 'number', min: low, max: high, step, value,
    'aria-label': `${label}, ${unit}`, onchange: () => {
      const wanted = Math.min(high, Math.max(low, Number(field.value)));
      if (Number.isFinite(wanted)) set(wanted);
    } });
  return el('label', {}, `${label} `, field, ` ${unit}`);
}

export function makeSlotHead(editor, { find }) {
  const box = el('div', { class: 'slot-head' });
  const draw = () => {
    const slot = kitSession.bySlot.get(editor.slot);
    box.hidden = !slot;
    if (!slot) return;
    const hit = slot.hits[0], apply = (op, more) => kitSession.apply(op, { slot: slot.slot, ...more });
    const why = joinReasons(slot.why);
    box.replaceChildren(
      el('h2', {}, markIcon(hit.role), slot.label),
      el('p', { class: 'name', title: hit.name }, el('bdi', {}, hit.name)),
      el('p', { class: 'none slot-origin' }, describeOrigin(hit)),
      why ? el('p', { class: 'slot-why' }, why) : '',
      el('div', { class: 'actions' }, ...makeExchange(slot),
        button(slot.locked ? 'Locked' : 'Lock', () => apply('lock'), { 'aria-pressed': String(slot.locked),
          title: 'A locked hit stays when the rest is filled' }),
        button('Show under Find', () => find(hit.id)),
        button('Remove', () => apply('clear'), { 'aria-label': `Remove ${slot.label}` })),
      el('div', { class: 'slot-numbers' },
        makeNumber('Level', 'dB', slot.level_db, { low: LOWEST_DB, high: HIGHEST_DB, step: 0.5,
          set: value => apply('level', { level_db: value }) }),
        makeNumber('Tuning', 'semitones', slot.semitones, { low: -MOST_SEMITONES, high: MOST_SEMITONES,
          step: 0.1, set: value => apply('tune', { semitones: value }) })));
  };
  return { box, draw };
}
