// One place opened: its strokes in layers from weak to strong, round robins below each other, and
// the strokes of the same drum that are not in the kit. Carried by pointer or moved by keys.

import { pads } from './pads.js';
import { striker } from '../playback/kit_sampler.js';
import { el, outlineCanvas, fillOutlines, decibels, ownKey } from '../shared/dom.js';
import { table } from '../shared/kit_session.js';

function makeStrokes(open) {           // open: {slot, toggle(slot)}
  const box = el('section', { class: 'strokes' });
  let others = [], askedFor = '', focusOn = null;

  const chip = (slot, hit, layer) => el('div', { class: 'stroke', 'data-stroke': hit.id, 'data-layer': layer },
    el('button', { type: 'button', class: 'play', 'data-id': hit.id, onclick: () => striker.strike(slot, pads.hand(), { own: hit }),
      'aria-label': layer === null ? `${hit.name}, not in the kit. Enter plays, plus adds it`
        : `${hit.name}, layer ${layer + 1} of ${slot.layers.length}. Enter plays, Shift and arrow left or right moves it, Delete takes it out` },
    outlineCanvas(hit, 96, 26), el('span', { class: 'name', dir: 'auto' }, hit.name)),
    layer === null ? el('button', { type: 'button', 'aria-label': `Add ${hit.name}`, onclick: () => act('add', { id: hit.id }) }, '+')
      : el('button', { type: 'button', 'aria-label': `Take ${hit.name} out`, onclick: () => act('drop', { id: hit.id }) }, '×'));
  const act = (op, more) => table.act(op, { slot: open.slot, ...more });

  const column = (slot, layer, k) => el('div', { class: 'band', 'data-layer': k },
    el('h4', {}, slot.layers.length === 1 ? 'One layer' : k === 0 ? 'Weakest' : k === slot.layers.length - 1 ? 'Strongest' : `Layer ${k + 1}`,
      el('small', {}, ` ${layer.lowest} to ${layer.highest}`)),
    el('p', { class: 'none' }, layer.strength === null ? 'strength not measured' : decibels(layer.strength, 'LKFS')),
    ...layer.ids.map(id => chip(slot, table.hits.get(id), k)),
    el('div', { class: 'apart', 'data-apart': k }, 'a layer of its own, weaker'));

  const ask = async slot => {          // the drum's strokes that are not in the kit
    const key = `${slot.slot} ${slot.hits.map(hit => hit.id)}`;
    if (key === askedFor) return;
    askedFor = key;
    const answer = await fetch(`/api/kit/strokes/${slot.slot}`);
    if (askedFor !== key || !answer.ok) return;
    others = await answer.json();
    draw();
  };
  const draw = () => {
    const slot = table.bySlot?.get(open.slot);
    box.hidden = !slot;
    if (!slot) { others = []; askedFor = ''; return; }
    focusOn ??= Number(box.getRootNode().activeElement?.closest?.('[data-stroke]')?.dataset.stroke) || null;
    box.setAttribute('aria-label', `Strokes of ${slot.label}`);
    const left = others.filter(hit => !table.hits.has(hit.id));
    box.replaceChildren(
      el('div', { class: 'head' }, el('h3', {}, `${slot.label}: strokes from weak to strong`),
        el('button', { type: 'button', 'aria-pressed': String(slot.arranged), onclick: () => act('keep'),
          title: 'Kept layers stay as they are; free ones are cut by strength' }, slot.arranged ? 'Layers are kept' : 'Keep these layers'),
        el('button', { type: 'button', onclick: () => act('strokes') }, 'All strokes, by strength'),
        el('button', { type: 'button', onclick: () => open.toggle(slot.slot) }, 'Close')),
      el('p', { class: 'none' }, 'Velocity 1 is the softest touch, 127 the hardest. Strokes under each other take turns. '
        + 'Drag a stroke to another layer, or move it with Shift and the arrow keys.'),
      el('div', { class: 'bands' }, ...slot.layers.map((layer, k) => column(slot, layer, k))),
      ...slot.warnings.map(words => el('p', { class: 'warns' }, words)),
      left.length ? el('div', { class: 'others' }, el('h4', {}, 'Not in the kit, of the same drum'), el('div', { class: 'chips' }, ...left.map(hit => chip(slot, hit, null)))) : '');
    fillOutlines(box);
    if (focusOn) box.querySelector(`[data-stroke="${focusOn}"] .play`)?.focus();
    focusOn = null;
    ask(slot);
  };
  const key = event => {
    const at = event.target.closest?.('[data-stroke]');
    if (!at || !box.contains(at)) return false;
    const id = Number(at.dataset.stroke), layer = at.dataset.layer === 'null' ? null : Number(at.dataset.layer);
    const all = [...box.querySelectorAll('.stroke .play')], step = { ArrowDown: 1, ArrowUp: -1, ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (event.shiftKey && layer !== null && (event.key === 'ArrowRight' || event.key === 'ArrowLeft')) {
      const to = layer + step, n = table.bySlot.get(open.slot).layers.length;
      ownKey(event);
      focusOn = id;
      if (to < 0) act('move', { id, layer: 0, apart: true });
      else act('move', { id, layer: Math.min(to, n) });
      return true;
    }
    if (!event.shiftKey && step) {
      ownKey(event);
      const next = all[all.indexOf(at.querySelector('.play')) + step];
      next?.focus();
      next?.click();
      return true;
    }
    if ((event.key === 'Delete' || event.key === 'Backspace') && layer !== null) { ownKey(event); act('drop', { id }); return true; }
    if (event.key === '+' && layer === null) { ownKey(event); focusOn = id; act('add', { id }); return true; }
    return false;
  };
  return { box, draw, key };
}

export { makeStrokes };
