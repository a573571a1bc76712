// The list of hits: only the rows in sight exist, so that 100,000 scroll like ten. It plays the row on which
// the pointer rests, and the rows that the arrow keys pass.

import { ROLE_LABELS, MARKS } from '../constants.js';
import { sizeCanvas, textColor } from '../drawing/canvas.js';
import { markPicture } from '../drawing/marks.js';
import { drawOutline, hasOutline, loadOutlines } from '../drawing/outlines.js';
import { makeRest } from '../playback/rest.js';
import { MARK_SIGNS } from '../shared/annotations.js';
import { consumeKey, el } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { formatHertz, formatSeconds, splitName } from '../shared/format.js';

const ROW_PX = 32, HEAD_PX = 30;       // as in workbench.css
const N_BEYOND = 4;                    // rows kept above and below those in sight
const OUTLINES_MS = 60;                // after scrolling the waves are fetched
const WAVE = [72, 24];                 // CSS pixels
const COLUMNS = {                      // the label of each column, and the value by which it is sorted
  wave: ['Wave', ''], name: ['Name', 'name'], role: ['Role', 'role'], session: ['Session', 'session'],
  drum: ['Drum', 'drum'], length: ['Length', 'length'], brightness: ['Bright', 'brightness'],
  mark: ['Mark', 'mark'],
};

function makeHead(state) {
  const cells = Object.entries(COLUMNS).map(([name, [label, by]]) => {
    const cell = el('div', { role: 'columnheader', class: `cell ${name}` });
    if (!by) { cell.append(el('span', {}, label)); return cell; }
    cell.append(el('button', { type: 'button', tabIndex: -1, onclick: () => {
      const { sort } = state, isSame = sort.by === by;
      state.change({ sort: isSame && sort.down ? { by: '', down: false } : { by, down: isSame } });
    } }, label));
    return cell;
  });
  const head = el('div', { role: 'row', class: 'head', 'aria-rowindex': '1' }, ...cells);
  head.show = () => Object.values(COLUMNS).forEach(([, by], k) => {
    const isOn = by && state.sort.by === by;
    const way = isOn ? (state.sort.down ? 'descending' : 'ascending') : 'none';
    if (by) cells[k].setAttribute('aria-sort', way);
  });
  return head;
}

function makeRow() {                   // an empty row; `put` shows another hit in it
  const wave = el('canvas', { 'aria-hidden': 'true' });
  const cells = Object.fromEntries(Object.keys(COLUMNS).map(name =>
    [name, el('div', { role: 'gridcell', class: `cell ${name}` })]));
  const [session, drum] = [0, 1].map(() => el('bdi')), role = el('span');
  const [start, end] = ['start', 'end'].map(name => el('span', { class: name }));
  const icon = el('i', { class: 'role-mark', 'aria-hidden': 'true' });
  sizeCanvas(wave, ...WAVE);
  cells.wave.append(wave);
  cells.name.append(el('bdi', {}, start, end));
  cells.session.append(session);
  cells.drum.append(drum);
  cells.role.append(icon, role);
  const node = el('div', { role: 'row', class: 'hit' }, ...Object.values(cells));
  node.put = (columns, row, place) => {
    const hit = columns.hit(row), { mark } = columns.points;
    Object.assign(node, { row, hit, place, isDrawn: false });
    node.dataset.hit = hit.id;
    node.id = `hit-row-${hit.id}`;
    node.setAttribute('aria-rowindex', String(place + 2));
    node.style.transform = `translateY(${place * ROW_PX}px)`;
    [start.textContent, end.textContent] = splitName(cells.name.title = hit.name);
    cells.name.setAttribute('aria-label', hit.name);
    role.textContent = ROLE_LABELS[hit.role];
    session.textContent = columns.sessionLabel(row);
    cells.session.title = hit.session;
    drum.textContent = columns.drums[columns.drum[row]] || '–';
    icon.style.backgroundImage = markPicture(hit.role);
    cells.length.textContent = formatSeconds(columns.length[row]);
    const bright = columns.brightness[row];
    cells.brightness.textContent = formatHertz(Number.isFinite(bright) ? bright : null);
    cells.mark.textContent = MARK_SIGNS[MARKS[mark[row]]];
  };
  node.drawWave = color => {
    node.isDrawn = hasOutline(node.hit);
    if (node.isDrawn) drawOutline(wave, node.hit, ...WAVE, color);
    else wave.getContext('2d').clearRect(0, 0, wave.width, wave.height);   // drawn once scrolling rests
  };
  return node;
}

// on: {choose(id), pick(ids), point(row)}
function build(box, { state, on }) {
  const head = makeHead(state), rows = el('div', { class: 'rows', role: 'rowgroup' });
  const nothing = el('p', { class: 'none', hidden: true }, 'No hit fits. Take a word or a condition away.');
  const grid = el('div', { role: 'grid', class: 'grid', tabIndex: 0, 'aria-label': 'Hits',
    'aria-multiselectable': 'true', 'aria-colcount': String(Object.keys(COLUMNS).length) },
  el('div', { role: 'rowgroup', class: 'heads' }, head), rows);
  box.replaceChildren(grid, nothing);
  const shown = new Map(), spare = [], rest = makeRest();   // place in the list -> row element
  let timer = 0, frame = 0, anchor = 0;

  const hitAt = place => state.columns.hit(state.rows[place]);
  const placeOf = id => {
    const row = state.columns?.rowOf(id) ?? -1;
    return row < 0 ? -1 : state.rows.indexOf(row);
  };
  const mark = node => {
    const isChosen = node.hit.id === state.chosen;
    node.setAttribute('aria-selected', String(isChosen || state.picked.has(node.hit.id)));
    node.classList.toggle('chosen', isChosen);
    node.classList.toggle('pointed', node.row === state.pointed);
  };
  const markAll = () => {
    shown.forEach(mark);
    const node = [...shown.values()].find(other => other.hit.id === state.chosen);
    if (node) grid.setAttribute('aria-activedescendant', node.id);
    else grid.removeAttribute('aria-activedescendant');
  };
  const drawWaves = async () => {
    const missing = [...shown.values()].filter(node => !node.isDrawn);
    await loadOutlines(missing.map(node => node.hit));
    const color = textColor(box);
    missing.filter(node => node.isConnected && !node.isDrawn).forEach(node => node.drawWave(color));
    rest.prefetch([...shown.values()].map(node => node.hit));
  };
  const drawRows = ({ again = false } = {}) => {
    if (!state.columns || !grid.clientHeight) return;
    const { scrollTop, clientHeight } = grid, nRows = state.rows.length;
    const first = Math.max(0, Math.floor(scrollTop / ROW_PX) - N_BEYOND);
    const last = Math.min(nRows, Math.ceil((scrollTop + clientHeight) / ROW_PX) + N_BEYOND);
    for (const [place, node] of shown) {
      if (again || place < first || place >= last || node.row !== state.rows[place]) {
        shown.delete(place);
        spare.push(node);
      }
    }
    const added = [], color = textColor(box);
    for (let place = first; place < last; place++) {
      if (shown.has(place)) continue;
      const node = spare.pop() ?? makeRow();
      node.put(state.columns, state.rows[place], place);
      node.drawWave(color);
      shown.set(place, node);
      added.push(node);
    }
    spare.splice(0).forEach(node => node.remove());
    rows.append(...added.filter(node => !node.isConnected));
    markAll();
    clearTimeout(timer);
    timer = setTimeout(drawWaves, OUTLINES_MS);
  };
  const drawSoon = () => {
    cancelAnimationFrame(frame);
    frame = requestAnimationFrame(() => drawRows());
  };
  const draw = () => {                 // other rows or another order
    if (!state.columns) return;
    rows.style.height = `${state.rows.length * ROW_PX}px`;
    grid.setAttribute('aria-rowcount', String(state.rows.length + 1));
    nothing.hidden = state.rows.length > 0;
    head.show();
    drawRows({ again: true });
  };
  const reveal = place => {
    const top = place * ROW_PX, height = grid.clientHeight - HEAD_PX;
    if (top < grid.scrollTop) grid.scrollTop = top;
    else if (top + ROW_PX > grid.scrollTop + height) grid.scrollTop = top + ROW_PX - height;
  };
  const range = (from, to) => {
    const [low, high] = from < to ? [from, to] : [to, from];
    return [...state.rows.subarray(low, high + 1)].map(row => state.columns.points.ids[row]);
  };
  const goTo = (place, { extend = false } = {}) => {
    const bounded = Math.max(0, Math.min(state.rows.length - 1, place));
    if (!state.rows.length) return;
    if (!extend) anchor = bounded;
    on.pick(extend ? range(anchor, bounded) : []);
    on.choose(hitAt(bounded).id);
    reveal(bounded);
  };

  const nodeAt = event => event.target.closest?.('.hit');
  grid.addEventListener('click', event => {
    const node = nodeAt(event);
    if (!node) return;
    if (event.ctrlKey || event.metaKey) {
      const picked = new Set(state.picked.size ? state.picked : [state.chosen].filter(id => id !== null));
      picked[picked.has(node.hit.id) ? 'delete' : 'add'](node.hit.id);
      on.pick([...picked]);
      anchor = node.place;
    } else goTo(node.place, { extend: event.shiftKey });
  });
  grid.addEventListener('pointermove', event => {
    const node = nodeAt(event), row = node?.row ?? -1;
    if (row === state.pointed) return;
    on.point(row);
    rest.on(event.pointerType === 'mouse' && !event.buttons ? node?.hit ?? null : null);
  });
  grid.addEventListener('pointerleave', () => { on.point(-1); rest.on(null); });
  grid.addEventListener('scroll', drawSoon, { passive: true });
  const perPage = () => Math.max(1, Math.floor(grid.clientHeight / ROW_PX) - 2);
  const STEPS = { ArrowDown: () => 1, ArrowUp: () => -1, PageDown: perPage, PageUp: () => -perPage(),
    Home: () => -Infinity, End: () => Infinity };
  grid.addEventListener('keydown', event => {
    const now = placeOf(state.chosen);
    if (STEPS[event.key]) goTo((now < 0 ? -1 : now) + STEPS[event.key](), { extend: event.shiftKey });
    else if (event.key === ' ' || event.key === 'Enter') on.choose(state.chosen ?? hitAt(0)?.id);
    else if ((event.ctrlKey || event.metaKey) && event.key === 'a') on.pick(range(0, state.rows.length - 1));
    else return;
    consumeKey(event);
  });
  box.focusHits = () => {
    grid.focus();
    if (placeOf(state.chosen) < 0 && state.rows.length) goTo(0);
  };
  const resize = new ResizeObserver(drawSoon);
  resize.observe(grid);
  const unsubscribe = [
    state.subscribe(['rows', 'annotated', 'dark'], changed => {
      if (changed.has('sort') || (changed.has('question') && !changed.has('annotated'))) grid.scrollTop = 0;
      draw();
    }), state.subscribe(['picked', 'pointed'], markAll),
    state.subscribe(['chosen'], () => {
      const place = placeOf(state.chosen);
      if (place >= 0 && grid.clientHeight) { reveal(place); drawRows(); }
      markAll();
    })];
  draw();
  return () => {
    resize.disconnect();
    rest.on(null);
    clearTimeout(timer);
    unsubscribe.forEach(end => end());
  };
}

export const makeHitList = defineElement('hit-list', build);
