// The list of answers: other strokes of the chosen drum, then hits that are like it.

import { markIcon } from '../drawing/marks.js';
import { outlineCanvas } from '../drawing/outlines.js';
import { makeRest } from '../playback/rest.js';
import { transport } from '../playback/transport.js';
import { MARK_SIGNS } from '../shared/annotations.js';
import { button, el } from '../shared/dom.js';
import { lastParts } from '../find/sessions.js';

const WAVE = [64, 26];                 // CSS pixels
const rest = makeRest();

function makeRow(hit, key, on) {
  const [session] = lastParts([hit.session]), why = hit.why.join(' · ') || 'hardly any difference';
  const mark = el('b', { class: 'row-mark', 'data-mark-of': hit.id }, MARK_SIGNS[hit.mark] ?? '');
  const row = el('button', { type: 'button', class: 'row', 'data-hit': hit.id,
    title: `${hit.name}, ${hit.session}`, onclick: () => transport.play(hit),
    ondblclick: () => on.choose(hit.id),
    onpointerenter: event => { if (event.pointerType === 'mouse') rest.on(hit); },
    onpointerleave: () => rest.on(null) },
  el('kbd', {}, key ?? ''), outlineCanvas(hit, ...WAVE), el('span', { class: 'words' },
    el('span', { class: 'name' }, markIcon(hit.role), el('bdi', {}, hit.name), mark),
    el('span', { class: 'why' }, el('bdi', {}, session), session ? ' · ' : '', why)));
  return el('li', {}, row,
    button('A/B', () => on.compare(hit), { class: 'go', 'aria-label': `A/B: compare ${hit.name}` }),
    button('→', () => on.choose(hit.id), { class: 'go', title: 'Choose this hit',
      'aria-label': `→ choose ${hit.name}` }));
}

// near: {alternates, similar, notice}; on: {choose(id), compare(hit)}
export function makeAnswers({ alternates, similar, notice }, { keys, isOutside, isElsewhere, on }) {
  const rows = (hits, from) => el('ol', {}, ...hits.map((hit, k) => makeRow(hit, keys[from + k], on)));
  const strokes = isOutside ? [] : [el('p', { class: 'none' },
    isElsewhere ? 'No other stroke of this drum in other sessions.' : 'No other stroke of this drum.')];
  return [
    ...(alternates.length ? [el('h3', {}, 'Other strokes of this drum'), rows(alternates, 0)] : strokes),
    el('h3', {}, 'Alike'), similar.length ? rows(similar, alternates.length) : '',
    notice || !similar.length ? el('p', { class: 'none' }, notice || 'No hit is alike.') : ''];
}
