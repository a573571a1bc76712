// The view "kit": its slots as cards, one of them opened, and the ways to play it.

import { engine } from '../playback/audio_engine.js';
import { sampler } from '../playback/kit_sampler.js';
import { midiInput } from '../playback/midi_input.js';
import { phrasePlayer } from '../playback/phrase_player.js';
import { el, hasModifier, isTyping } from '../shared/dom.js';
import { handleUndoKey, kitSession } from '../shared/kit_session.js';
import { addDragging } from './drag.js';
import { makeLayerEditor } from './layer_editor.js';
import { handlePadKey, loadPadHits } from './pads.js';
import { makeSlotCards } from './slot_cards.js';
import { makeKitToolbar } from './toolbar.js';

const SETTLE_MS = 250;                 // the forms around the kit are redrawn once it rests

function draggedFrom(node) {           // a stroke of the opened slot, or the hit of a card
  const stroke = node.closest?.('[data-stroke]'), pad = node.closest?.('.card .pad');
  if (stroke) {
    const name = stroke.querySelector('.name').textContent;
    return { id: Number(stroke.dataset.stroke), name, isStroke: true };
  }
  const slot = pad && kitSession.bySlot.get(pad.dataset.slot);
  return slot ? { id: slot.hits[0].id, name: slot.hits[0].name, slot: slot.slot } : null;
}

const targetOf = (node, { isStroke }) =>
  node?.closest?.(isStroke ? '.bands [data-apart], .bands .band, .others' : '[data-card]') ?? null;

function dropStroke(target, id, slot) {
  const { apart, layer } = target.dataset;
  if (!target.matches('.others')) {
    kitSession.apply('move', { slot, id, layer: Number(apart ?? layer), apart: apart !== undefined });
  } else if (kitSession.hits.has(id)) kitSession.apply('drop', { slot, id });
}

function makeReporter(live, view) {    // reports a changed kit to Streamlit once it rests
  const reporter = { revision: null, timer: 0 };
  const report = () => {
    if (kitSession.kit.revision === reporter.revision || !view.checkVisibility()) return;
    reporter.revision = kitSession.kit.revision;
    live.c.setTriggerValue('changed', reporter.revision);
  };
  // A hidden view is redrawn when it is opened; a second run just then could cost a press. So a
  // change that comes while it is hidden starts no timer either, which could fire after opening.
  reporter.noteChange = () => {
    const { kit } = kitSession;
    if (reporter.revision === null || !kit || kit.revision === reporter.revision) return;
    if (!view.checkVisibility()) return;
    clearTimeout(reporter.timer);
    reporter.timer = setTimeout(report, SETTLE_MS);
  };
  return reporter;
}

export function mount(root, live) {
  const view = root.querySelector('.view'), error = el('p', { class: 'kit-error', role: 'alert' });
  const editor = { slot: null, toggle: slot => {   // which slot is opened
    editor.slot = editor.slot === slot ? null : slot;
    draw();
    if (editor.slot) layers.box.scrollIntoView({ block: 'nearest' });
  } };
  const cards = makeSlotCards(editor), layers = makeLayerEditor(editor), toolbar = makeKitToolbar();
  const reporter = makeReporter(live, view);
  view.tabIndex = 0;
  view.setAttribute('aria-label', 'Kit: letters play its slots');
  view.replaceChildren(toolbar.box, error, cards.box, layers.box);

  const draw = () => {
    error.textContent = kitSession.error;
    [toolbar, cards, layers].forEach(part => part.draw());
  };
  const unsubscribe = kitSession.subscribe(() => {
    if (kitSession.nPending) { toolbar.draw(); return; }
    draw();
    loadPadHits();
    reporter.noteChange();
  });
  view.addEventListener('keydown', event => {
    if (handleUndoKey(event) || isTyping(event) || hasModifier(event)) return;
    if (!layers.handleKey(event)) handlePadKey(event);
  });
  const endDragging = addDragging(view, {
    source: draggedFrom, target: targetOf, drop: (target, { id, isStroke, slot }) => {
      if (isStroke) dropStroke(target, id, editor.slot);
      else if (target.dataset.card !== slot) kitSession.apply('assign', { slot: target.dataset.card, id });
    },
  });
  const update = data => {
    reporter.revision = data.kit_revision;
    kitSession.refresh(data);
    if (data.probe) {
      globalThis.__kit = { engine, kitSession, sampler, phrasePlayer, midiInput, editor };
    }
  };
  const stop = () => {
    [unsubscribe, cards.stop, toolbar.stop, endDragging].forEach(end => end());
    clearTimeout(reporter.timer);
  };
  return { update, stop };
}
