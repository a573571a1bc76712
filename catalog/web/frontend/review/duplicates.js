// The view "copies": groups of files that hold the same recording, played, overlaid, then set aside; and
// the uncertain pairs.

import { drawOutlines } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { button, el } from '../shared/dom.js';
import { detailLine, makePlayRow, nameLine } from '../shared/play_row.js';
import { makeOverlay } from './overlay.js';
import { makePairQuestion } from './uncertain_pair.js';

function makeLine(hit, lead) {         // lead: what stands before the row
  const note = (...children) => el('span', { class: 'note' }, ...children);
  return el('div', { class: 'line' }, lead, makePlayRow(hit, [
    nameLine(hit.name), detailLine(hit.words, { dir: 'auto' }),
    hit.kits.length ? note('in the kit ', el('bdi', {}, hit.kits.join(', '))) : null,
    hit.stuck ? note(hit.stuck) : null]));
}

function acceptLabel(n) {
  return n === 1 ? 'Accept: set this one aside' : `Accept: set these ${n} aside`;
}

// on: {pick(ids), runAction(op, args)}
function makeGroups(on) {
  const box = el('section', { class: 'copies', 'aria-label': 'Duplicates' });
  const groups = { box, picked: new Set(), overlays: new Map() };   // "keep:other" -> its overlay
  const open = new Set();              // "keep:other" whose overlay is shown; outlives new groups
  let shown = '';

  const makeTick = hit => {
    const tick = el('input', { type: 'checkbox', checked: groups.picked.has(hit.id),
      'aria-label': `Set aside ${hit.name}`, onchange: () => {
        groups.picked[tick.checked ? 'add' : 'delete'](hit.id);
        on.pick([...groups.picked]);
      } });
    tick.hitId = hit.id;
    return el('label', { class: 'tick' }, tick, hit.stuck ? 'hide' : 'set aside');
  };
  const endOverlay = key => {
    groups.overlays.get(key)?.end();
    groups.overlays.delete(key);
  };
  const makeOverlayToggle = (first, second) => {   // [button, place of the overlay]
    const key = `${first.id}:${second.id}`, place = el('div', { class: 'over' });
    const show = () => {
      endOverlay(key);
      if (open.has(key)) groups.overlays.set(key, makeOverlay(first, second));
      place.replaceChildren(groups.overlays.get(key)?.box ?? '');
      toggle.setAttribute('aria-expanded', String(open.has(key)));
    };
    const toggle = button('Overlay', () => {
      open[open.has(key) ? 'delete' : 'add'](key);
      show();
    });
    show();
    return [toggle, place];
  };
  const makePair = (keep, other) => {
    const [toggle, place] = makeOverlayToggle(keep, other);
    return el('div', { class: 'pair' }, makeLine(other, makeTick(other)), el('div', { class: 'actions' },
      button('Play both in turn', () => engine.playInTurn(keep, other)), toggle,
      button('Keep this one instead', () => on.runAction('keep', { id: other.id })),
      button('Not a copy', () => on.runAction('differ', { first: keep.id, second: other.id }))), place);
  };
  const makeGroup = ({ keep, others, relation, reason }) => el('div', { class: 'group' },
    el('p', { class: 'reason' }, el('b', {}, relation), ` · ${reason}`),
    makeLine(keep, el('span', { class: 'stays' }, 'kept')),
    ...others.map(other => makePair(keep, other)),
    el('div', { class: 'actions foot' }, button(acceptLabel(others.length),
      () => on.runAction('accept', { ids: others.map(hit => hit.id) }), { class: 'accept' })));

  groups.update = (newGroups, picked) => {
    const state = JSON.stringify(newGroups);
    groups.picked = new Set(picked);
    if (state !== shown) {
      shown = state;
      groups.end();
      box.replaceChildren(...newGroups.map(makeGroup));
      drawOutlines(box);
    }
    box.querySelectorAll('.tick input').forEach(tick => { tick.checked = groups.picked.has(tick.hitId); });
  };
  groups.end = () => [...groups.overlays.keys()].forEach(endOverlay);
  return groups;
}

export function mount(root, live) {
  const runAction = (op, args) => live.c.setTriggerValue('action', { op, ...args, at: Date.now() });
  const groups = makeGroups({ pick: ids => live.c.setStateValue('picked', ids), runAction });
  const question = makePairQuestion(runAction);
  root.querySelector('.view').replaceChildren(groups.box, question.box);
  const update = data => {
    groups.update(data.groups, data.picked);
    question.update(data.pairs);
    if (data.probe) globalThis.__duplicates = { groups, question, engine };
  };
  return { update, stop: () => { groups.end(); question.end(); } };
}
