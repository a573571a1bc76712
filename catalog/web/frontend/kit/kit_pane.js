// The part "Kit" on one screen: what fills and plays it, its slots, the chosen slot with its layers beside
// them, and below them saving, sound and export, one of which can be opened.

import { HEARING } from '../constants.js';
import { el, hasModifier, isTyping } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { kitSession } from '../shared/kit_session.js';
import { makeBalance } from './balance.js';
import { addDragging } from './drag.js';
import { makeExport } from './export.js';
import { countFor } from './fillable.js';
import { makeLayerEditor } from './layer_editor.js';
import { handlePadKey, loadPadHits } from './pads.js';
import { makeSavedKits } from './saved_kits.js';
import { makeSlotCards } from './slot_cards.js';
import { makeSlotHead } from './slot_head.js';
import { makeKitToolbar } from './toolbar.js';

function draggedFrom(node) {           // a stroke of the chosen slot, or the hit of a card
  const stroke = node.closest?.('[data-stroke]'), pad = node.closest?.('[data-card] .pad');
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

// Panels below the slots, one open at a time. panels: [[label, {box, open()}], ...]
function makePanels(panels, before) {
  const buttons = panels.map(([label, panel]) => el('button', { type: 'button', 'aria-expanded': 'false',
    onclick: () => show(panel.box.hidden ? panel : null) }, label));
  const show = shown => panels.forEach(([, panel], k) => {
    panel.box.hidden = panel !== shown;
    buttons[k].setAttribute('aria-expanded', String(panel === shown));
    if (panel === shown) panel.open();
  });
  show(null);
  return el('div', { class: 'kit-panels' }, el('div', { class: 'kit-tabs' }, before, ...buttons),
    ...panels.map(([, panel]) => panel.box));
}

// on: {notice(text), find(id), chooseFor(slot)}
function build(box, { state, on }) {
  const editor = { slot: null, show: slot => {   // which slot is chosen
    editor.slot = slot;
    cards.mark();
    drawSlot();
  } };
  const supply = { count: slot => countFor(state.columns, slot), choose: on.chooseFor };
  const cards = makeSlotCards(editor, supply);
  const layers = makeLayerEditor(editor), head = makeSlotHead(editor, on);
  const toolbar = makeKitToolbar({ state }), saved = makeSavedKits(on);
  const sound = makeBalance(), written = makeExport(on);
  const error = el('p', { class: 'kit-error', role: 'alert' });
  const side = el('aside', { class: 'kit-side', 'aria-label': 'Chosen slot' }, head.box, layers.box,
    el('p', { class: 'none hearing' }, HEARING));
  box.setAttribute('role', 'region');
  box.setAttribute('aria-label', 'Kit');
  box.replaceChildren(el('div', { class: 'kit-main' }, toolbar.box, error, cards.box,
    makePanels([['Saved kits', saved], ['Levels, pitches, masking', sound], ['Export', written]],
      saved.form)),
  side);

  const drawSlot = () => {
    if (!kitSession.bySlot.has(editor.slot)) editor.slot = kitSession.slots[0]?.slot ?? null;
    head.draw();
    layers.draw();
  };
  const draw = () => {
    if (state.part !== 'kit') return;
    error.textContent = kitSession.error;
    drawSlot();
    [toolbar, cards, saved, sound, written].forEach(part => part.draw());
  };
  const ends = [state.subscribe(['part'], draw), state.subscribe(['columns'], draw),
    kitSession.subscribe(() => {
      if (kitSession.nPending) { toolbar.draw(); return; }
      draw();
      loadPadHits();
    })];
  box.handleKey = event => {
    if (isTyping({ target: event.composedPath()[0] ?? event.target }) || hasModifier(event)) return false;
    return layers.handleKey(event) || cards.handleKey(event) || handlePadKey(event);
  };
  ends.push(addDragging(box, {
    source: draggedFrom, target: targetOf, drop: (target, { id, isStroke, slot }) => {
      if (isStroke) dropStroke(target, id, editor.slot);
      else if (target.dataset.card !== slot) kitSession.apply('assign', { slot: target.dataset.card, id });
    },
  }), cards.stop, toolbar.stop);
  box.editor = editor;
  box.draw = draw;
  draw();
  return () => ends.forEach(end => end());
}

export const makeKitPane = defineElement('kit-pane', build);
