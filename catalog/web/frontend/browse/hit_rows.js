// Rows of hits that are like the chosen one: played by key or click, chosen, compared.

import { markIcon } from '../drawing/marks.js';
import { drawOutlines } from '../drawing/outlines.js';
import { MARK_SIGNS } from '../shared/annotations.js';
import { button, el } from '../shared/dom.js';
import { detailLine, makePlayRow, nameLine } from '../shared/play_row.js';

const N_FIRST = 5;                     // rows of a list before “more” is pressed

function makeRow(hit, key, on) {
  const label = `${hit.name}, ${hit.why.join(', ')}${hit.mark ? `, marked ${hit.mark}` : ''}. `
    + 'Enter plays, arrow right chooses it, arrow left compares it';
  const mark = el('b', { class: 'row-mark', 'data-mark-of': hit.id }, MARK_SIGNS[hit.mark] ?? '');
  const lines = [nameLine(markIcon(hit.role), hit.name, mark),
    detailLine(hit.why.join(' · ') || 'hardly any difference')];
  return el('li', {},
    makePlayRow(hit, lines, { size: [88, 30], key, 'data-id': hit.id, 'aria-label': label,
      ondblclick: () => on.choose(hit.id) }),
    button('A/B', () => on.compare(hit), { class: 'go', title: 'Compare with the chosen hit',
      'aria-label': `Compare ${hit.name} with the chosen hit` }),
    button('→', () => on.choose(hit.id), { class: 'go', title: 'Choose this hit',
      'aria-label': `Choose ${hit.name}` }));
}

// on: {choose(id), compare(hit)}; keys: the key of each row, as one string
export function makeHitList(title, { hint, hits, keys, empty = 'None in the catalog.' }, on) {
  const rows = (from, to) => hits.slice(from, to).map((hit, k) => makeRow(hit, keys[from + k], on));
  const showRest = event => {
    const rest = el('ol', {}, ...rows(N_FIRST));
    event.target.replaceWith(rest);
    drawOutlines(rest);
  };
  return el('div', { class: 'list' }, el('h3', {}, title, el('small', {}, hint)),
    hits.length ? el('ol', {}, ...rows(0, N_FIRST)) : el('p', { class: 'none' }, empty),
    hits.length > N_FIRST ? button(`${hits.length - N_FIRST} more`, showRest, { class: 'more' }) : null);
}
