// The places of the kit as cards, by family; what is done to each is on its card.

import { WORDS } from '../constants.js';
import { PAD_KEYS, STRIPS, padOf } from './pads.js';
import { el, fillOutlines } from '../shared/dom.js';
import { table } from '../shared/kit_session.js';

const USUAL = ['kick', 'snare', 'hat_closed', 'hat_open', 'tom_high', 'tom_mid', 'tom_low', 'crash', 'ride'];

function cardOf(slot, key, open) {
  const act = op => () => table.act(op, { slot: slot.slot });
  return el('div', { class: slot.locked ? 'card locked' : 'card', 'data-card': slot.slot }, padOf(slot, key, true),
    el('div', { class: 'deeds' },
      el('button', { type: 'button', 'aria-pressed': String(slot.locked), onclick: act('lock'),
        title: 'A locked hit stays when the rest is filled', 'aria-label': `Lock ${slot.label}` }, slot.locked ? 'Locked' : 'Lock'),
      el('button', { type: 'button', disabled: slot.locked || !slot.passed, onclick: act('back'), title: 'Take the hit before again',
        'aria-label': `The one before for ${slot.label}` }, '←'),
      el('button', { type: 'button', disabled: slot.locked, onclick: act('swap'), 'aria-label': `Next best for ${slot.label}`,
        title: 'Take the next best hit; a locked one stays' }, 'Next best →'),
      el('button', { type: 'button', onclick: act('clear'), 'aria-label': `Take ${slot.label} out` }, 'Take out')),
    el('button', { type: 'button', class: 'opener', 'aria-expanded': String(open.slot === slot.slot), onclick: () => open.toggle(slot.slot) },
      slot.hits.length > 1 ? `${slot.hits.length} strokes in ${slot.layers.length === 1 ? 'one layer' : `${slot.layers.length} layers`}` : 'One stroke; add more'),
    slot.why.length ? el('ul', { class: 'why' }, ...slot.why.map(why => el('li', {}, why))) : null);
}

const vacant = (slot, label) => el('div', { class: 'card vacant', 'data-card': slot },
  el('span', { class: 'slot' }, label), el('span', { class: 'none' }, 'empty'));

function makeCards(open) {             // open: {slot, toggle(slot)}
  const box = el('section', { class: 'kit', 'aria-label': 'The places of the kit' });
  const draw = () => {
    const at = box.getRootNode().activeElement, held = at?.closest?.('[data-card]')?.dataset.card;
    const label = at?.getAttribute?.('aria-label'), order = new Map(table.slots.map((slot, k) => [slot.slot, k]));
    const families = Object.entries(WORDS.families).map(([name, slots]) => {
      const cards = slots.flatMap(slot => table.bySlot.has(slot) ? [cardOf(table.bySlot.get(slot), PAD_KEYS[order.get(slot)] ?? '', open)]
        : USUAL.includes(slot) && table.slots.length ? [vacant(slot, WORDS.slots[slot])] : []);
      return cards.length ? el('div', { class: 'family' }, el('h3', {}, name), el('div', { class: 'large' }, ...cards)) : null;
    });
    box.replaceChildren(...families.filter(Boolean), table.slots.length ? '' : el('p', { class: 'none' },
      'The kit is empty. Press “Fill the rest” to have it filled, or choose a hit under “Listen” and put it in a place.'));
    fillOutlines(box);
    if (!held) return;                 // the card that had the focus has it again
    const card = box.querySelector(`[data-card="${held}"]`);
    ([...card?.querySelectorAll('button:not(:disabled)') ?? []].find(b => b.getAttribute('aria-label') === label)
      ?? card?.querySelector('.pad'))?.focus();
  };
  STRIPS.add(box);
  return { box, draw, stop() { STRIPS.delete(box); } };
}

export { makeCards };
