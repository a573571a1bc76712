// Pads that play the slots of the kit.

import { markIcon } from '../drawing/marks.js';
import { outlineCanvas } from '../drawing/outlines.js';
import { lastParts } from '../find/sessions.js';
import { engine } from '../playback/audio_engine.js';
import { sampler } from '../playback/kit_sampler.js';
import { consumeKey, el } from '../shared/dom.js';
import { kitSession } from '../shared/kit_session.js';

export const PAD_KEYS = 'asdfghjklzxcvbnm';
const WAVE = [168, 30];                // CSS pixels
const FLASH_MS = 120;                  // a pad shows a stroke so long

// velocity: of letters and clicks; boxes: the parts of the page that show pads.
export const pads = { velocity: 100, boxes: new Set() };

sampler.listeners.add((slot, when) => {   // flash the pad when its stroke sounds
  const setStruck = isStruck => pads.boxes.forEach(box =>
    box.querySelector(`.pad[data-slot="${slot}"]`)?.classList.toggle('struck', isStruck));
  const delay = Math.max(0, 1000 * (when - engine.ctx.currentTime));
  setTimeout(setStruck, delay, true);
  setTimeout(setStruck, delay + FLASH_MS, false);
});

export function makePad(slot, key) {
  const hit = slot.hits[0], strike = () => sampler.trigger(slot, pads.velocity);
  return el('button', {
    type: 'button', class: 'pad', 'data-slot': slot.slot, 'data-id': hit.id,
    title: `${hit.name}, ${hit.session}`,
    // A mouse plays on press; a finger on release, and a key as a click without a pointer.
    onpointerdown: event => { if (event.pointerType === 'mouse' && event.button === 0) strike(); },
    onclick: event => { if (event.detail === 0 || event.pointerType !== 'mouse') strike(); },
  }, el('span', { class: 'slot' }, markIcon(hit.role), slot.label), ' ', el('kbd', {}, key),
  outlineCanvas(hit, ...WAVE), el('bdi', { class: 'name' }, hit.name), ' ',
  el('bdi', { class: 'name from-session' }, lastParts([hit.session])[0]));
}

export function handlePadKey(event) {  // a letter plays the slot that shows it
  const slot = kitSession.slots[PAD_KEYS.indexOf(event.key)];
  if (!slot || event.repeat) return false;
  consumeKey(event);
  sampler.trigger(slot, pads.velocity);
  return true;
}

export const loadPadHits = () => kitSession.slots.forEach(slot => engine.loadQuietly(slot.hits[0]));
