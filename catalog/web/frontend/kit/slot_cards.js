// The slots of the kit as cards, by family; what can be done with each is on its card.

import { DEFAULT_SLOTS, SLOT_FAMILIES, SLOT_LABELS } from '../constants.js';
import { drawOutlines } from '../drawing/outlines.js';
import { button, el } from '../shared/dom.js';
import { kitSession } from '../shared/kit_session.js';
import { PAD_KEYS, makePad, pads } from './pads.js';

const EMPTY = 'The kit is empty. Press “Fill the rest” to fill it, or choose a hit under “Find” '
  + 'and put it in a slot.';

function makeActions(slot) {
  const action = op => () => kitSession.apply(op, { slot: slot.slot });
  return el('div', { class: 'actions' },
    button(slot.locked ? 'Locked' : 'Lock', action('lock'), { 'aria-pressed': String(slot.locked),
      title: 'A locked hit stays when the rest is filled', 'aria-label': `Lock ${slot.label}` }),
    button('←', action('back'), { disabled: slot.locked || !slot.passed, title: 'Back to the previous hit',
      'aria-label': `Previous hit for ${slot.label}` }),
    button('Next best →', action('swap'), { disabled: slot.locked,
      'aria-label': `Next best for ${slot.label}`, title: 'Use the next best hit; a locked one stays' }),
    button('Remove', action('clear'), { 'aria-label': `Remove ${slot.label}` }));
}

function countStrokes({ hits, layers }) {
  if (hits.length === 1) return 'One stroke; add more';
  return `${hits.length} strokes in ${layers.length === 1 ? 'one layer' : `${layers.length} layers`}`;
}

function makeCard(slot, editor) {
  const key = PAD_KEYS[kitSession.slots.indexOf(slot)] ?? '';
  return el('div', { class: slot.locked ? 'card locked' : 'card', 'data-card': slot.slot },
    makePad(slot, key, { isLarge: true }), makeActions(slot),
    button(countStrokes(slot), () => editor.toggle(slot.slot),
      { class: 'opener', 'aria-expanded': String(editor.slot === slot.slot) }),
    slot.why.length ? el('ul', { class: 'why' }, ...slot.why.map(reason => el('li', {}, reason))) : null);
}

const makeEmptyCard = slot => el('div', { class: 'card vacant', 'data-card': slot },
  el('span', { class: 'slot' }, SLOT_LABELS[slot]), el('span', { class: 'none' }, 'empty'));

// editor: {slot, toggle(slot)}, which slot is opened in the layer editor
export function makeSlotCards(editor) {
  const box = el('section', { class: 'kit', 'aria-label': 'Slots of the kit' });
  const cardsOf = slots => slots.flatMap(slot => {
    if (kitSession.bySlot.has(slot)) return [makeCard(kitSession.bySlot.get(slot), editor)];
    return DEFAULT_SLOTS.includes(slot) && kitSession.slots.length ? [makeEmptyCard(slot)] : [];
  });
  const restoreFocus = (slot, label) => {
    const card = box.querySelector(`[data-card="${slot}"]`);
    const enabled = [...card?.querySelectorAll('button:not(:disabled)') ?? []];
    const same = enabled.find(node => node.getAttribute('aria-label') === label);
    (same ?? card?.querySelector('.pad'))?.focus();
  };
  const draw = () => {
    const focused = box.getRootNode().activeElement;
    const slot = focused?.closest?.('[data-card]')?.dataset.card;
    const label = focused?.getAttribute?.('aria-label');
    const families = Object.entries(SLOT_FAMILIES).map(([name, slots]) => [name, cardsOf(slots)]);
    box.replaceChildren(
      ...families.filter(([, cards]) => cards.length).map(([name, cards]) =>
        el('div', { class: 'family' }, el('h3', {}, name), el('div', { class: 'large' }, ...cards))),
      kitSession.slots.length ? '' : el('p', { class: 'none' }, EMPTY));
    drawOutlines(box);
    if (slot) restoreFocus(slot, label);
  };
  pads.boxes.add(box);
  return { box, draw, stop: () => pads.boxes.delete(box) };
}
