// The view "drum_review": groups of hits that look like one drum, played, named or refused.

import { ROLE_LABELS } from '../constants.js';
import { drawOutlines } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { button, el, options } from '../shared/dom.js';
import { makePlayRow, nameLine } from '../shared/play_row.js';

const DAMPINGS = { '': 'damping as named', open: 'open', damped: 'damped' };
const SIZE = [110, 26];                // CSS pixels of an outline

function makeHit(hit) {
  const box = el('input', { type: 'checkbox', checked: true, 'aria-label': `${hit.name} is of this drum` });
  return { box, row: el('li', {}, box, makePlayRow(hit, [nameLine(hit.name)], { size: SIZE })) };
}

function makeGroup(group, send) {
  const ids = group.hits.map(hit => hit.id), hits = group.hits.map(makeHit);
  const details = [ROLE_LABELS[group.role].toLowerCase(), group.damping, group.session].filter(Boolean);
  const title = `${ids.length} hits look like one drum (${details.join(', ')})`;
  const name = el('input', { type: 'text', placeholder: 'Name of the drum', maxLength: 200,
    'aria-label': 'Name of the drum' });
  const damping = el('select', { 'aria-label': 'Damping' }, ...options(DAMPINGS));
  damping.value = group.damping;
  const chosen = () => ids.filter((_, k) => hits[k].box.checked);
  const nameThem = () => name.value.trim() && chosen().length
    && send({ op: 'name_drum', ids: chosen(), name: name.value.trim(), damping: damping.value });
  name.addEventListener('keydown', event => { if (event.key === 'Enter') nameThem(); });
  return el('section', { class: 'drum-group', 'aria-label': title },
    el('p', {}, title), el('ol', {}, ...hits.map(hit => hit.row)),
    el('div', { class: 'actions' }, name, damping, button('Name these', nameThem, { class: 'main' }),
      button('Not one drum', () => send({ op: 'refuse_drum', ids }))));
}

export function mount(root, live) {
  const view = root.querySelector('.view');
  let shown = '';
  const send = action => live.c.setTriggerValue('action', { ...action, at: Date.now() });
  const update = ({ groups, probe }) => {
    const state = JSON.stringify(groups);
    if (probe) globalThis.__drums = { engine };
    if (state === shown) return;
    shown = state;
    view.replaceChildren(...groups.map(group => makeGroup(group, send)));
    drawOutlines(view);
  };
  return { update, stop() {} };
}
