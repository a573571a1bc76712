// The kit under the fingers: a strip below the map. Cards of the kit's own part are in cards.js.

import { WORDS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { engine } from '../playback/audio_engine.js';
import { striker } from '../playback/kit_sampler.js';
import { el, outlineCanvas, ownKey } from '../shared/dom.js';
import { table } from '../shared/kit_session.js';

const PAD_KEYS = 'asdfghjklzxcvbnm';
const HAND = 100;                      // velocity of a letter or a click
const STRUCK_MS = 120;

// Marks the place of each stroke for a moment, when it sounds; several rooms may show it.
const STRIPS = new Set();
striker.seen = (slot, when) => {
  const wait = Math.max(0, 1000 * (when - engine.ctx.currentTime));
  setTimeout(() => STRIPS.forEach(box => {
    const pad = box.querySelector(`.pad[data-slot="${slot}"]`);
    pad?.classList.add('struck');
    setTimeout(() => pad?.classList.remove('struck'), STRUCK_MS);
  }), wait);
};

function padOf(slot, key, large) {
  const hit = slot.hits[0], strike = () => striker.strike(slot, pads.hand());
  return el('button', { type: 'button', class: 'pad', 'data-slot': slot.slot, 'data-id': hit.id,
    'aria-label': `${slot.label}: ${hit.name}, key ${key}`,
    // at once on press; a key press on the button arrives as a click without a pointer
    onpointerdown: event => { if (event.pointerType === 'mouse' && event.button === 0) strike(); },
    onclick: event => { if (event.detail === 0 || event.pointerType !== 'mouse') strike(); } },
  el('kbd', {}, key), el('span', { class: 'slot' }, markIcon(hit.role), slot.label),
  large ? outlineCanvas(hit, 150, 36) : null, el('span', { class: 'name', dir: 'auto' }, hit.name));
}

const pads = {
  velocity: HAND,
  hand: () => pads.velocity,
  // A letter plays the place that shows it.
  key(event) {
    const slot = table.slots[PAD_KEYS.indexOf(event.key)];
    if (!slot || event.repeat) return false;
    ownKey(event);
    striker.strike(slot, pads.hand());
    return true;
  },
};

const loadKit = () => table.slots.forEach(slot => engine.load(slot.hits[0]).catch(() => {}));

// The strip: filled places, and while a hit is carried the empty ones that would take it.
function makeStrip(getChosen) {        // getChosen() -> hit that Shift and a letter puts into a place
  const box = el('section', { class: 'pads', 'aria-label': 'The kit' });
  const p = { box, get slots() { return table.slots; } };
  let seen = '', carried = null;

  const emptyFor = role => Object.entries(WORDS.slots).filter(([slot]) => !table.bySlot.has(slot)
    && WORDS.slot_roles[slot].includes(role));
  const draw = () => {
    const now = JSON.stringify([table.slots.map(s => [s.slot, s.label, s.hits[0]]), carried?.role, table.trouble]);
    if (now === seen) return;
    seen = now;
    const held = box.getRootNode().activeElement?.closest?.('[data-slot]')?.dataset.slot;
    box.replaceChildren(
      el('h3', {}, 'Kit'), ...table.slots.map((slot, k) => padOf(slot, PAD_KEYS[k] ?? '', false)),
      ...(carried ? emptyFor(carried.role).map(([slot, label]) => el('div', { class: 'pad empty', 'data-slot': slot },
        el('span', { class: 'slot' }, label), el('span', { class: 'name' }, 'empty: drop it here'))) : []),
      table.slots.length || carried ? '' : el('p', { class: 'none' },
        'Empty so far: choose a hit and press “Put in kit”, or drag a row down here. It is then played from here by the letters a s d f …'),
      table.trouble ? el('p', { class: 'none', role: 'alert' }, table.trouble) : '');
    if (held) box.querySelector(`[data-slot="${held}"]`)?.focus();   // letters go on playing
    loadKit();
  };
  const forget = table.hear(draw);
  STRIPS.add(box);
  p.carry = load => { carried = load; draw(); };
  p.key = event => {
    const k = PAD_KEYS.indexOf(event.key.toLowerCase()), hit = getChosen();
    if (event.shiftKey && k >= 0 && table.slots[k] && hit) {
      ownKey(event);
      table.act('assign', { slot: table.slots[k].slot, id: hit });
      return true;
    }
    return pads.key(event);
  };
  p.stop = () => { forget(); STRIPS.delete(box); };
  return p;
}

export { PAD_KEYS, STRIPS, padOf, pads, loadKit, makeStrip };
