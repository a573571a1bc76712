// The kit that is being built, always at the bottom: slots that take hits, are struck and locked.

import { DEFAULT_SLOTS, SLOT_LABELS, SLOT_ROLES } from '../constants.js';
import { drawOutlines, outlineCanvas } from '../drawing/outlines.js';
import { PAD_KEYS, handlePadKey, loadPadHits, pads } from '../kit/pads.js';
import { sampler } from '../playback/kit_sampler.js';
import { button, consumeKey, el } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { kitSession } from '../shared/kit_session.js';
import { lastParts } from '../find/sessions.js';

const WAVE = [84, 18];                 // CSS pixels

// The slot that a hit is for: an empty one that takes its role, else the first that is not locked.
export function slotFor(role) {
  const slots = Object.keys(SLOT_LABELS).filter(slot => SLOT_ROLES[slot].includes(role));
  return slots.find(slot => !kitSession.bySlot.has(slot))
    ?? slots.find(slot => !kitSession.bySlot.get(slot).locked) ?? slots[0] ?? null;
}

// Put hits into a slot: the first replaces what was there, the others become layers of it. The result says
// what was done.
export async function putInSlot(slot, hits) {
  const label = SLOT_LABELS[slot], before = kitSession.bySlot.get(slot);
  if (before?.locked && !hits.some(hit => hit.id === before.hits[0].id)) {
    return `${label} is locked; unlock it to put another hit there`;
  }
  if (!await kitSession.apply('assign', { slot, id: hits[0].id })) return kitSession.error;
  for (const { id } of hits.slice(1)) {
    if (!await kitSession.apply('add', { slot, id })) return kitSession.error;
  }
  const more = hits.length > 1 ? ` and ${hits.length - 1} more are` : ' is';
  return `${hits[0].name}${more} in ${label}${before ? `, in place of ${before.hits[0].name}` : ''}`;
}

function makeFilled(slot, key) {
  const hit = slot.hits[0], [session] = lastParts([hit.session]);
  const strike = () => sampler.trigger(slot, pads.velocity);
  const pad = el('button', { type: 'button', class: 'pad', 'data-slot': slot.slot, 'data-id': hit.id,
    title: `${hit.name}, ${hit.session}`,
    onpointerdown: event => { if (event.pointerType === 'mouse' && event.button === 0) strike(); },
    onclick: event => { if (event.detail === 0 || event.pointerType !== 'mouse') strike(); },
  }, el('span', { class: 'slot' }, slot.label), ' ', el('kbd', {}, key), outlineCanvas(hit, ...WAVE),
  el('bdi', { class: 'name' }, hit.name), ' ', el('span', { class: 'session' }, el('bdi', {}, session),
    slot.hits.length > 1 ? ` · ${slot.hits.length} strokes` : ''));
  const lock = el('button', { type: 'button', class: 'lock', 'aria-pressed': String(slot.locked),
    'aria-label': `Lock ${slot.label}`, title: 'A locked slot stays when the rest is filled',
    onclick: () => kitSession.apply('lock', { slot: slot.slot }) }, slot.locked ? '●' : '○');
  const state = slot.locked ? 'slot-item locked' : 'slot-item';
  return el('li', { class: state, 'data-slot': slot.slot }, pad, lock);
}

const makeEmpty = slot => el('li', { class: 'slot-item empty', 'data-slot': slot },
  el('span', { class: 'slot' }, SLOT_LABELS[slot]), ' ', el('span', { class: 'name' }, 'empty'));

function build(box, { state, on }) {
  const list = el('ul', { 'aria-label': 'Kit', class: 'kit-slots' });
  let drawn = '', dragged = null;
  const fill = button('Fill the rest', async () => {
    on.notice('Filling the kit …');
    const isDone = await kitSession.apply('fill', { slots: [] });
    on.notice(isDone ? 'The kit is filled; locked slots stayed as they were.' : kitSession.error);
  }, { title: 'Fill every usual slot that is not locked with hits that belong together' });
  const open = button('Open the kit', () => state.change({ part: 'kit' }),
    { title: 'Layers, alternatives, levels, saving and export' });
  box.replaceChildren(list, el('div', { class: 'kit-do' }, fill, open));
  const draw = () => {
    const wanted = new Set([...DEFAULT_SLOTS, ...kitSession.slots.map(({ slot }) => slot),
      ...(dragged ? Object.keys(SLOT_LABELS).filter(slot => SLOT_ROLES[slot].includes(dragged.role)) : [])]);
    const order = Object.keys(SLOT_LABELS).filter(slot => wanted.has(slot));
    const state = JSON.stringify([order, kitSession.slots.map(s => [s.slot, s.hits[0], s.locked])]);
    if (state === drawn) return;
    drawn = state;
    const root = box.getRootNode(), focused = root.activeElement?.closest?.('[data-slot]')?.dataset.slot;
    const isLock = root.activeElement?.classList.contains('lock');
    list.replaceChildren(...order.map(slot => {
      const filled = kitSession.bySlot.get(slot);
      const key = PAD_KEYS[kitSession.slots.indexOf(filled)] ?? '';
      return filled ? makeFilled(filled, key) : makeEmpty(slot);
    }));
    if (focused) list.querySelector(`[data-slot="${focused}"] ${isLock ? '.lock' : '.pad'}`)?.focus();
    drawOutlines(list);
    loadPadHits();
  };
  pads.boxes.add(box);
  box.setDragged = hit => { dragged = hit; draw(); };
  box.handleKey = event => {           // letters strike the slots; with Shift they take the hit in focus
    const slot = kitSession.slots[PAD_KEYS.indexOf(event.key.toLowerCase())], hit = on.hitInFocus();
    if (!(event.shiftKey && slot && hit)) return handlePadKey(event);
    consumeKey(event);
    on.put(slot.slot, [hit]);
    return true;
  };
  const unsubscribe = kitSession.subscribe(draw);
  draw();
  return () => { unsubscribe(); pads.boxes.delete(box); };
}

export const makeKitBar = defineElement('kit-bar', build);
