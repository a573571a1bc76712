// One slot opened: its strokes in layers from soft to hard, round robins below each other, and the
// strokes of the same drum that are not in the kit. Dragged by pointer or moved by keys.

import { drawOutlines, outlineCanvas } from '../drawing/outlines.js';
import { sampler } from '../playback/kit_sampler.js';
import { button, consumeKey, el } from '../shared/dom.js';
import { formatDecibels } from '../shared/format.js';
import { fetchJson } from '../shared/http.js';
import { kitSession } from '../shared/kit_session.js';
import { pads } from './pads.js';
import { velocityPlot } from './velocity_plot.js';

const HELP = 'Velocity 1 is the softest, 127 the hardest. Strokes in one layer alternate as round robins. '
  + 'Drag a stroke to another layer, or move it with Shift and the arrow keys.';
const ARROW_STEPS = { ArrowDown: 1, ArrowUp: -1, ArrowRight: 1, ArrowLeft: -1 };

function nameLayer(k, nLayers) {
  if (nLayers === 1) return 'One layer';
  if (k === 0) return 'Softest';
  return k === nLayers - 1 ? 'Hardest' : `Layer ${k + 1}`;
}

// editor: {slot, show(slot)}
export function makeLayerEditor(editor) {
  const box = el('section', { class: 'layers' });
  let unused = [], unusedFor = '', focusedHit = null;   // unused: strokes of the drum outside the kit
  const apply = (op, args) => kitSession.apply(op, { slot: editor.slot, ...args });

  const makeStroke = (slot, hit, layer) => {   // layer: null if it is not in the kit
    const place = layer === null ? 'not in the kit. Enter plays, plus adds it'
      : `layer ${layer + 1} of ${slot.layers.length}. Enter plays, Shift and an arrow moves it, `
        + 'Delete removes it';
    const play = el('button', { type: 'button', class: 'play', 'data-id': hit.id,
      onclick: () => sampler.trigger(slot, pads.velocity, { only: hit }),
      'aria-label': `${hit.name}, ${place}` },
    outlineCanvas(hit, 96, 26), el('span', { class: 'name', dir: 'auto' }, hit.name));
    const change = layer === null
      ? button('+', () => apply('add', { id: hit.id }), { 'aria-label': `Add ${hit.name}` })
      : button('×', () => apply('drop', { id: hit.id }), { 'aria-label': `Remove ${hit.name}` });
    return el('div', { class: 'stroke', 'data-stroke': hit.id, 'data-layer': layer }, play, change);
  };
  const makeLayer = (slot, layer, k) => el('div', { class: 'band', 'data-layer': k },
    el('div', { class: 'band-head' }, el('h4', {}, nameLayer(k, slot.layers.length)),
      el('p', { class: 'none' }, `velocity ${layer.lowest} to ${layer.highest}`),
      el('p', { class: 'none' },
        layer.strength === null ? 'strength not measured' : formatDecibels(layer.strength, 'LKFS'))),
    el('div', { class: 'band-strokes' },
      ...layer.ids.map(id => makeStroke(slot, kitSession.hits.get(id), k)),
      el('div', { class: 'apart', 'data-apart': k }, 'a separate, softer layer')));
  const makeHead = slot => el('div', { class: 'layers-head' }, el('h3', {}, 'Strokes from soft to hard'),
    button(slot.arranged ? 'Layers are fixed' : 'Fix these layers', () => apply('keep'),
      { 'aria-pressed': String(slot.arranged),
        title: 'Fixed layers stay as they are; others are split by strength' }),
    button('All strokes, by strength', () => apply('strokes')));
  const makeUnused = slot => {
    const left = unused.filter(hit => !kitSession.hits.has(hit.id));
    if (!left.length) return '';
    return el('div', { class: 'others' }, el('h4', {}, 'Other strokes of the drum, not in the kit'),
      el('div', { class: 'chips' }, ...left.map(hit => makeStroke(slot, hit, null))));
  };

  const loadUnused = async slot => {
    const key = `${slot.slot} ${slot.hits.map(hit => hit.id)}`;
    if (key === unusedFor) return;
    unusedFor = key;
    const strokes = await fetchJson(`/api/kit/strokes/${slot.slot}`).catch(() => null);
    if (unusedFor !== key || !strokes) return;
    unused = strokes;
    draw();
  };
  const draw = () => {
    const slot = kitSession.bySlot.get(editor.slot);
    box.hidden = !slot;
    if (!slot) { unused = []; unusedFor = ''; return; }
    focusedHit ??= box.getRootNode().activeElement?.closest?.('[data-stroke]')?.dataset.stroke;
    box.setAttribute('aria-label', `Strokes of ${slot.label}`);
    box.replaceChildren(
      makeHead(slot), el('p', { class: 'none' }, HELP), velocityPlot(slot) ?? '',
      el('div', { class: 'bands' }, ...slot.layers.map((layer, k) => makeLayer(slot, layer, k))),
      ...slot.warnings.map(warning => el('p', { class: 'warns' }, warning)), makeUnused(slot));
    drawOutlines(box);
    if (focusedHit) box.querySelector(`[data-stroke="${focusedHit}"] .play`)?.focus();
    focusedHit = null;
    loadUnused(slot);
  };

  const moveStroke = (id, layer) => {  // below the lowest: to a layer of its own
    const nLayers = kitSession.bySlot.get(editor.slot).layers.length;
    focusedHit = id;
    apply('move', layer < 0 ? { id, layer: 0, apart: true } : { id, layer: Math.min(layer, nLayers) });
  };
  const focusStroke = (stroke, step) => {
    const all = [...box.querySelectorAll('.stroke .play')];
    const next = all[all.indexOf(stroke.querySelector('.play')) + step];
    next?.focus();
    next?.click();
  };
  const actionOf = ({ key, shiftKey }, stroke) => {
    const id = Number(stroke.dataset.stroke), inKit = stroke.dataset.layer !== 'null';
    const step = ARROW_STEPS[key];
    if (shiftKey && inKit && step) return () => moveStroke(id, Number(stroke.dataset.layer) + step);
    if (!shiftKey && step) return () => focusStroke(stroke, step);
    if ((key === 'Delete' || key === 'Backspace') && inKit) return () => apply('drop', { id });
    if (key === '+' && !inKit) return () => { focusedHit = id; apply('add', { id }); };
    return null;
  };
  const handleKey = event => {
    const stroke = event.target.closest?.('[data-stroke]');
    const action = stroke && box.contains(stroke) ? actionOf(event, stroke) : null;
    if (!action) return false;
    consumeKey(event);
    action();
    return true;
  };
  return { box, draw, handleKey };
}
