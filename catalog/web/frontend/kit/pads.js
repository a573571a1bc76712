// Pads that play the slots of the kit, and the strip of them below the map.

import { SLOT_LABELS, SLOT_ROLES } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { outlineCanvas } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { sampler } from '../playback/kit_sampler.js';
import { consumeKey, el } from '../shared/dom.js';
import { kitSession } from '../shared/kit_session.js';

export const PAD_KEYS = 'asdfghjklzxcvbnm';
const FLASH_MS = 120;                  // a pad shows a stroke so long
const EMPTY = 'Empty so far: choose a hit and press “Put in kit”, or drag a row down here. '
  + 'The letters a s d f … then play it.';

// velocity: of letters and clicks; boxes: the parts of the page that show pads.
export const pads = { velocity: 100, boxes: new Set() };

sampler.listeners.add((slot, when) => {   // flash the pad when its stroke sounds
  const setStruck = isStruck => pads.boxes.forEach(box =>
    box.querySelector(`.pad[data-slot="${slot}"]`)?.classList.toggle('struck', isStruck));
  const delay = Math.max(0, 1000 * (when - engine.ctx.currentTime));
  setTimeout(setStruck, delay, true);
  setTimeout(setStruck, delay + FLASH_MS, false);
});

export function makePad(slot, key, { isLarge = false } = {}) {
  const hit = slot.hits[0], strike = () => sampler.trigger(slot, pads.velocity);
  return el('button', {
    type: 'button', class: 'pad', 'data-slot': slot.slot, 'data-id': hit.id,
    'aria-label': `${slot.label}: ${hit.name}, key ${key}`,
    // A mouse plays on press; a finger on release, and a key as a click without a pointer.
    onpointerdown: event => { if (event.pointerType === 'mouse' && event.button === 0) strike(); },
    onclick: event => { if (event.detail === 0 || event.pointerType !== 'mouse') strike(); },
  }, el('kbd', {}, key), el('span', { class: 'slot' }, markIcon(hit.role), slot.label),
  isLarge ? outlineCanvas(hit, 150, 36) : null, el('span', { class: 'name', dir: 'auto' }, hit.name));
}

export function handlePadKey(event) {  // a letter plays the slot that shows it
  const slot = kitSession.slots[PAD_KEYS.indexOf(event.key)];
  if (!slot || event.repeat) return false;
  consumeKey(event);
  sampler.trigger(slot, pads.velocity);
  return true;
}

export const loadPadHits = () => kitSession.slots.forEach(slot => engine.loadQuietly(slot.hits[0]));

// getChosen() -> id of the hit that Shift and a letter put into a slot
export function makePadStrip(getChosen) {
  const box = el('section', { class: 'pads', 'aria-label': 'The kit' });
  const strip = { box };
  let drawn = '', dragged = null;      // dragged: the hit whose possible slots are shown

  const emptySlots = () => Object.entries(SLOT_LABELS)
    .filter(([slot]) => !kitSession.bySlot.has(slot) && SLOT_ROLES[slot].includes(dragged.role))
    .map(([slot, label]) => el('div', { class: 'pad empty', 'data-slot': slot },
      el('span', { class: 'slot' }, label), el('span', { class: 'name' }, 'empty: drop it here')));
  const draw = () => {
    const { slots, error } = kitSession;
    const state = JSON.stringify([slots.map(s => [s.slot, s.label, s.hits[0]]), dragged?.role, error]);
    if (state === drawn) return;
    drawn = state;
    const focused = box.getRootNode().activeElement?.closest?.('[data-slot]')?.dataset.slot;
    box.replaceChildren(
      el('h3', {}, 'Kit'), ...slots.map((slot, k) => makePad(slot, PAD_KEYS[k] ?? '')),
      ...(dragged ? emptySlots() : []),
      slots.length || dragged ? '' : el('p', { class: 'none' }, EMPTY),
      error ? el('p', { class: 'none', role: 'alert' }, error) : '');
    if (focused) box.querySelector(`[data-slot="${focused}"]`)?.focus();   // letters go on playing
    loadPadHits();
  };
  const unsubscribe = kitSession.subscribe(draw);
  pads.boxes.add(box);
  strip.showEmptySlots = hit => { dragged = hit; draw(); };
  strip.handleKey = event => {
    const slot = kitSession.slots[PAD_KEYS.indexOf(event.key.toLowerCase())], id = getChosen();
    if (!(event.shiftKey && slot && id)) return handlePadKey(event);
    consumeKey(event);
    kitSession.apply('assign', { slot: slot.slot, id });
    return true;
  };
  strip.stop = () => { unsubscribe(); pads.boxes.delete(box); };
  return strip;
}
