// The slots of the kit in a compact grid: a press plays a slot and chooses it, arrows exchange its hit.

import { DEFAULT_SLOTS, SLOT_LABELS } from '../constants.js';
import { drawOutlines } from '../drawing/outlines.js';
import { sampler } from '../playback/kit_sampler.js';
import { button, consumeKey, el } from '../shared/dom.js';
import { kitSession } from '../shared/kit_session.js';
import { PAD_KEYS, makePad, pads } from './pads.js';

const EMPTY = 'The kit is empty. “Fill the rest” fills it with hits that belong together; or choose the hits '
  + 'of a slot yourself.';

// Exchange the hit of a slot and play the new one at once. op: "swap" or "back"
export async function exchange(op, slot) {
  if (await kitSession.apply(op, { slot })) sampler.trigger(kitSession.bySlot.get(slot), pads.velocity);
}

export function makeExchange(slot) {
  return [button('←', () => exchange('back', slot.slot), { disabled: slot.locked || !slot.passed,
    title: 'Back to the previous hit, and play it', 'aria-label': `← Previous hit for ${slot.label}` }),
  button('→', () => exchange('swap', slot.slot), { disabled: slot.locked,
    title: slot.locked ? 'A locked hit stays' : 'Use the next best hit, and play it',
    'aria-label': `→ Next best for ${slot.label}` })];
}

function makeCount({ hits, layers }) {
  if (hits.length === 1) return el('span', { class: 'none' }, '1 stroke');
  const inLayers = layers.length === 1 ? 'one layer' : `${layers.length} layers`;
  return el('span', { class: 'none', title: `${hits.length} strokes in ${inLayers}` },
    `${hits.length} strokes`);
}

function makeCard(slot, editor) {
  const key = PAD_KEYS[kitSession.slots.indexOf(slot)] ?? '';
  const pad = makePad(slot, key);
  pad.addEventListener('focus', () => editor.show(slot.slot));
  return el('div', { class: 'slot-card', 'data-card': slot.slot, 'data-locked': String(slot.locked),
    onclick: () => editor.show(slot.slot) }, pad,
    el('div', { class: 'slot-foot' }, ...makeExchange(slot),
      makeCount(slot),
      button(slot.locked ? '●' : '○', () => kitSession.apply('lock', { slot: slot.slot }),
        { class: 'lock', 'aria-pressed': String(slot.locked), 'aria-label': `Lock ${slot.label}`,
          title: 'A locked slot stays when the rest is filled' })));
}

// choose(): show the hits that may fill the slot
function makeEmptyCard(slot, nHits, choose) {
  const words = nHits === 1 ? '1 hit' : `${nHits.toLocaleString('en')} hits`, label = SLOT_LABELS[slot];
  return el('div', { class: 'slot-card', 'data-card': slot, 'data-empty': 'true' },
    el('span', { class: 'slot' }, label), ' ', el('span', { class: 'none' }, 'empty'),
    nHits ? button(`Choose from ${words}`, choose, { 'aria-label': `Choose from ${words} for ${label}` })
      : el('span', { class: 'none' }, ': no hit has its role'));
}

// editor: {slot, show(slot)}, which slot is chosen; supply: {count(slot), choose(slot)}, the hits for a slot
export function makeSlotCards(editor, supply) {
  const box = el('section', { class: 'slot-grid', 'aria-label': 'Slots of the kit' });
  const restoreFocus = (slot, label) => {
    const card = box.querySelector(`[data-card="${slot}"]`);
    const enabled = [...card?.querySelectorAll('button:not(:disabled)') ?? []];
    const same = enabled.find(node => node.getAttribute('aria-label') === label);
    (same ?? card?.querySelector('.pad'))?.focus();
  };
  const mark = () => box.querySelectorAll('[data-card]').forEach(card =>
    card.toggleAttribute('data-chosen', card.dataset.card === editor.slot));
  const draw = () => {
    const focused = box.getRootNode().activeElement;
    const slot = focused?.closest?.('[data-card]')?.dataset.card;
    const label = focused?.getAttribute?.('aria-label');
    const shown = Object.keys(SLOT_LABELS).filter(name =>
      kitSession.bySlot.has(name) || (DEFAULT_SLOTS.includes(name) && kitSession.kit));
    const words = kitSession.kit ? EMPTY : 'Reading the kit …';
    box.replaceChildren(kitSession.slots.length ? '' : el('p', { class: 'none' }, words),
      ...shown.map(name => (kitSession.bySlot.has(name) ? makeCard(kitSession.bySlot.get(name), editor)
        : makeEmptyCard(name, supply.count(name), () => supply.choose(name)))));
    mark();
    drawOutlines(box);
    if (slot && box.querySelector(`[data-card="${slot}"]`)) restoreFocus(slot, label);
  };
  const handleKey = event => {         // arrows on a slot exchange its hit
    const card = event.target.closest?.('[data-card]');
    const op = { ArrowLeft: 'back', ArrowRight: 'swap' }[event.key];
    const slot = card && box.contains(card) ? kitSession.bySlot.get(card.dataset.card) : null;
    if (!slot || !op || slot.locked || (op === 'back' && !slot.passed)) return false;
    consumeKey(event);
    exchange(op, slot.slot);
    return true;
  };
  pads.boxes.add(box);
  return { box, draw, mark, handleKey, stop: () => pads.boxes.delete(box) };
}
