// Rows of what is like the chosen hit: heard by key or click, chosen, compared.

import { markIcon } from '../drawing/marks.js';
import { engine } from '../playback/audio_engine.js';
import { el, outlineCanvas, fillOutlines } from '../shared/dom.js';

const FEW = 5;                         // rows of a list before “more” is asked for
const MARK_SIGNS = { '': '', keep: '✓ keep', reject: '✕ reject', star: '★ star' };

function rowOf(row, key, ask) {        // ask: {choose(id), compare(row)}
  return el('li', {}, el('button', {
    class: 'row', type: 'button', 'data-id': row.id,
    onclick: () => engine.play(row), ondblclick: () => ask.choose(row.id),
    'aria-label': `${row.name}, ${row.why.join(', ')}${row.mark ? `, marked ${row.mark}` : ''}. Enter plays, arrow right chooses it, arrow left compares it`,
  }, el('kbd', {}, key), outlineCanvas(row), el('span', { class: 'words' },
    el('span', { class: 'name', dir: 'auto' }, markIcon(row.role), row.name,
      el('b', { class: 'said', 'data-said': row.id }, MARK_SIGNS[row.mark] ?? '')),
    el('span', { class: 'why' }, row.why.join(' · ') || 'hardly any difference'))),
  el('button', { class: 'go', type: 'button', onclick: () => ask.compare(row), title: 'Compare with the chosen hit',
    'aria-label': `Compare ${row.name} with the chosen hit` }, 'A/B'),
  el('button', { class: 'go', type: 'button', onclick: () => ask.choose(row.id), title: 'Choose this hit',
    'aria-label': `Choose ${row.name}` }, '→'));
}

function listOf(title, hint, rows, keys, ask, none = 'None in the catalog.') {
  const more = () => el('button', { type: 'button', class: 'more', onclick: event => {
    const rest = el('ol', {}, ...rows.slice(FEW).map((row, k) => rowOf(row, keys[FEW + k], ask)));
    event.target.replaceWith(rest);
    fillOutlines(rest);
  } }, `${rows.length - FEW} more`);
  return el('div', { class: 'list' }, el('h3', {}, title, el('small', {}, hint)),
    rows.length ? el('ol', {}, ...rows.slice(0, FEW).map((row, k) => rowOf(row, keys[k], ask))) : el('p', { class: 'none' }, none),
    rows.length > FEW ? more() : null);
}

export { MARK_SIGNS, listOf };
