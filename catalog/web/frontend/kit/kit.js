// The view "kit": its places as cards, one of them opened, and the ways to play it.

import { makeCarrying } from './drag.js';
import { makeStrokes } from './layer_editor.js';
import { pads, loadKit } from './pads.js';
import { makeCards } from './slot_cards.js';
import { makeKitBar } from './toolbar.js';
import { engine } from '../playback/audio_engine.js';
import { striker } from '../playback/kit_sampler.js';
import { midi } from '../playback/midi_input.js';
import { player } from '../playback/phrase_player.js';
import { el, typing } from '../shared/dom.js';
import { table, undoKey } from '../shared/kit_session.js';

const SETTLED_MS = 250;                // the forms around the kit are drawn anew once it rests

export const mount = (root, live) => {
  const room = root.querySelector('.room');
  const open = { slot: null, toggle(slot) { open.slot = open.slot === slot ? null : slot; draw(); if (open.slot) strokes.box.scrollIntoView({ block: 'nearest' }); } };
  const cards = makeCards(open), strokes = makeStrokes(open), bar = makeKitBar();
  const trouble = el('p', { class: 'trouble', role: 'alert' });
  room.tabIndex = 0;
  room.setAttribute('aria-label', 'Kit: letters play its places');
  room.replaceChildren(bar.box, trouble, cards.box, strokes.box);

  let told = null, wait = 0;
  const draw = () => {
    trouble.textContent = table.trouble;
    bar.draw();
    cards.draw();
    strokes.draw();
  };
  // A hidden part is drawn anew when it is opened; a second request just then could cost a press.
  const tell = () => {
    if (table.kit.revision === told || !room.checkVisibility()) return;
    told = table.kit.revision;
    live.c.setTriggerValue('changed', told);
  };
  const forget = table.hear(() => {
    if (table.busy) { bar.draw(); return; }
    draw();
    loadKit();
    if (told !== null && table.kit && table.kit.revision !== told) {
      clearTimeout(wait);
      wait = setTimeout(tell, SETTLED_MS);
    }
  });
  room.addEventListener('keydown', event => {
    if (undoKey(event) || typing(event) || event.ctrlKey || event.metaKey || event.altKey) return;
    if (!strokes.key(event)) pads.key(event);
  });
  const carrying = makeCarrying(room, {
    from: node => {
      const stroke = node.closest?.('[data-stroke]'), pad = node.closest?.('.card .pad');
      if (stroke) { const id = Number(stroke.dataset.stroke); return { id, stroke: true, name: stroke.querySelector('.name').textContent }; }
      const slot = pad && table.bySlot.get(pad.dataset.slot);
      return slot ? { id: slot.hits[0].id, name: slot.hits[0].name, slot: slot.slot } : null;
    },
    over: (node, load) => load.stroke ? node?.closest?.('.bands [data-apart], .bands .band, .others') ?? null : node?.closest?.('[data-card]') ?? null,
    drop: (target, load) => {
      if (!load.stroke) { if (target.dataset.card !== load.slot) table.act('assign', { slot: target.dataset.card, id: load.id }); return; }
      if (target.matches('.others')) { if (table.hits.has(load.id)) table.act('drop', { slot: open.slot, id: load.id }); return; }
      const apart = target.dataset.apart !== undefined;
      table.act('move', { slot: open.slot, id: load.id, layer: Number(apart ? target.dataset.apart : target.dataset.layer), apart });
    },
  });
  return {
    update: data => {
      told = data.kit_revision;
      table.refresh(data.kit_revision);
      if (data.probe) globalThis.__kit = { engine, table, striker, player, midi, open };
    },
    stop() { forget(); cards.stop(); bar.stop(); carrying.stop(); clearTimeout(wait); },
  };
};
