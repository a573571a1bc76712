// Drums by strength: a row a drum, its strokes from soft to hard where they were measured, round robins above
// each other; heard under the pointer, by keys and by a sweep along the row.

import { ROLES, ROLE_LABELS } from '../constants.js';
import { roleColor } from '../drawing/colors.js';
import { markIcon } from '../drawing/marks.js';
import { makeRest } from '../playback/rest.js';
import { engine } from '../playback/audio_engine.js';
import { consumeKey, el, options } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { chooseRange, groupDrums, layOutStrokes } from './drums.js';

const ROW_PX = 76, STRIP_PX = 60;      // as in workbench.css
const N_BEYOND = 2;                    // rows kept above and below those in sight
const TICK_DB = 6;                     // between the lines of the scale
const STEM_PX = 13;                    // between round robins, less if there are many

const NEAR_PX = 22;                    // from the pointer to a stroke that it means

function makeTicks(rangeDb) {
  return Array.from({ length: rangeDb / TICK_DB + 1 }, (_, k) => {
    const db = rangeDb - k * TICK_DB;
    return el('span', { class: 'tick-db', style: `left:${100 * k * TICK_DB / rangeDb}%` },
      db === 0 ? 'hardest' : db === rangeDb ? `−${db} dB` : `−${db}`);
  });
}

function makeStrip(columns, rows, { role, rangeDb }) {
  const { strokes, gaps, most } = layOutStrokes(rows, columns.strength, rangeDb);
  const stem = Math.min(STEM_PX, (STRIP_PX - 18) / Math.max(1, most)), color = roleColor(ROLES[role]);
  const nodes = strokes.map(({ row, db, x, level }) => {
    const hit = columns.hit(row), how = db > -.05 ? 'the hardest' : `${(-db).toFixed(1)} dB softer`;
    const place = `left:${100 * x}%;bottom:${6 + level * stem}px;--share:${x.toFixed(3)}`;
    const node = el('span', { class: 'strength-dot', role: 'img', 'aria-label': `${hit.name}, ${how}`,
      title: `${hit.name}, ${how}`, 'data-hit': hit.id, id: `stroke-${hit.id}`,
      style: `${place};--color:${color}` });
    return Object.assign(node, { hit, row, x, y: 6 + level * stem });
  });
  const holes = gaps.map(({ from, to, db }) => el('span', { class: 'gap',
    style: `left:calc(${100 * from}% + 12px);width:calc(${100 * (to - from)}% - 24px)` },
  el('span', {}, `gap, ${db.toFixed(0)} dB`)));
  const strip = el('div', { class: 'strip', role: 'gridcell' }, ...holes, ...nodes);
  return Object.assign(strip, { strokes: nodes });
}

// on: {choose(id), pick(ids), point(row)}
function build(box, { state, on }) {
  const rows = el('div', { class: 'drum-rows', role: 'rowgroup' }), rest = makeRest();
  const nothing = el('p', { class: 'none', hidden: true }, 'No named drum among these hits.');
  const scale = el('div', { class: 'scale', 'aria-hidden': 'true' });
  const grid = el('div', { role: 'grid', class: 'drums', tabIndex: 0, 'aria-label': 'Drums',
    'aria-multiselectable': 'true' },
  el('div', { class: 'drum-head', role: 'rowgroup' }, el('div', { role: 'row', class: 'drum' },
    el('span', { role: 'columnheader' }, 'Drum'),
    el('div', { role: 'columnheader', 'aria-label': 'Strokes from soft to hard' }, scale))), rows);
  box.replaceChildren(grid, nothing);
  const shown = new Map(), microphones = new Map();   // key of a drum -> its row, its chosen microphone
  let drums = [], sweep = null, hasSwept = false, rangeDb = 0;

  const rowsOf = drum => {
    const byMost = [...drum.mics].sort((a, b) => b[1].length - a[1].length);
    return drum.mics.get(microphones.get(drum.key)) ?? byMost[0][1];
  };
  const makeDrum = (drum, place) => {
    const { columns } = state, now = rowsOf(drum), names = columns.microphones;
    const strip = makeStrip(columns, now, { role: drum.role, rangeDb });
    const labels = Object.fromEntries([...drum.mics.keys()].map(k => [k, names[k] || 'unnamed']));
    const mics = el('select', { 'aria-label': `Microphone of ${drum.drum}`, hidden: drum.mics.size < 2,
      onchange: () => {
        microphones.set(drum.key, Number(mics.value));
        shown.get(drum.key)?.remove();
        shown.delete(drum.key);
        draw();
      } }, ...options(labels));
    mics.value = [...drum.mics].find(([, list]) => list === now)[0];
    const node = el('div', { role: 'row', class: 'drum', 'aria-rowindex': String(place + 2) },
      el('div', { role: 'rowheader', class: 'drum-name' },
        el('span', { class: 'name' }, markIcon(ROLES[drum.role]), el('b', {}, el('bdi', {}, drum.drum))),
        el('span', { class: 'why' }, `${ROLE_LABELS[ROLES[drum.role]]} · `,
          el('bdi', {}, columns.sessionLabels[drum.session] || 'unknown'), ` · ${now.length}`), mics), strip);
    node.style.transform = `translateY(${place * ROW_PX}px)`;
    return Object.assign(node, { strip, drum });
  };
  const mark = () => {
    let active = null;
    shown.forEach(node => node.strip.strokes.forEach(stroke => {
      stroke.classList.toggle('chosen', stroke.hit.id === state.chosen);
      stroke.classList.toggle('picked', state.picked.has(stroke.hit.id));
      stroke.classList.toggle('pointed', stroke.row === state.pointed);
      if (stroke.hit.id === state.chosen) active = stroke;
    }));
    if (active) grid.setAttribute('aria-activedescendant', active.id);
    else grid.removeAttribute('aria-activedescendant');
  };
  const draw = () => {
    if (!grid.clientHeight) return;
    const first = Math.max(0, Math.floor(grid.scrollTop / ROW_PX) - N_BEYOND);
    const last = Math.min(drums.length, Math.ceil((grid.scrollTop + grid.clientHeight) / ROW_PX) + N_BEYOND);
    const wanted = new Map(drums.slice(first, last).map((drum, k) => [drum.key, first + k]));
    shown.forEach((node, key) => { if (!wanted.has(key)) { node.remove(); shown.delete(key); } });
    wanted.forEach((place, key) => {
      if (shown.has(key)) return;
      const node = makeDrum(drums[place], place);
      shown.set(key, node);
      rows.append(node);
    });
    mark();
  };
  const group = () => {
    if (!state.columns || state.layout !== 'drums') return;
    drums = groupDrums(state.columns, state.rows);
    rangeDb = chooseRange(drums, state.columns.strength);
    scale.replaceChildren(...makeTicks(rangeDb));
    grid.style.setProperty('--ticks', rangeDb / TICK_DB);
    shown.forEach(node => node.remove());
    shown.clear();
    rows.style.height = `${drums.length * ROW_PX}px`;
    grid.setAttribute('aria-rowcount', String(drums.length + 1));
    nothing.hidden = drums.length > 0;
    draw();
  };

  const strokeAt = event => {          // the stroke below or close to the pointer
    const strip = event.target.closest?.('.strip'), exact = event.target.closest?.('.strength-dot');
    if (!strip || exact) return exact;
    const { left, width, bottom } = strip.getBoundingClientRect();
    const far = ({ x, y }) => Math.hypot(x * width + left - event.clientX, bottom - y - 7 - event.clientY);
    const best = strip.strokes.reduce((a, b) => (!a || far(b) < far(a) ? b : a), null);
    return best && far(best) <= NEAR_PX ? best : null;
  };
  const nearest = (strip, clientX) => {   // the stroke whose place is next to the pointer
    const { left, width } = strip.getBoundingClientRect(), x = (clientX - left) / width;
    return strip.strokes.reduce((best, stroke) =>
      (!best || Math.abs(stroke.x - x) < Math.abs(best.x - x) ? stroke : best), null);
  };
  const continueSweep = event => {
    const stroke = nearest(sweep.strip, event.clientX);
    if (!stroke || stroke === sweep.last) return;
    sweep.moved = sweep.moved || sweep.last !== null;
    sweep.last = stroke;
    const { strokes } = sweep.strip, ends = [strokes.indexOf(sweep.from), strokes.indexOf(stroke)];
    on.pick(strokes.slice(Math.min(...ends), Math.max(...ends) + 1).map(one => one.hit.id));
    engine.play(stroke.hit);
  };
  grid.addEventListener('pointerdown', event => {
    const strip = event.target.closest?.('.strip');
    if (!strip || event.target.closest('.strength-dot') || event.button !== 0) return;
    const from = nearest(strip, event.clientX);
    if (from) sweep = { strip, from, last: null, moved: false };
  });
  grid.addEventListener('pointermove', event => {
    if (sweep) { continueSweep(event); return; }
    const stroke = strokeAt(event), row = stroke?.row ?? -1;
    if (row === state.pointed) return;
    on.point(row);
    rest.on(stroke && !event.buttons ? stroke.hit : null);
  });
  const endSweep = () => { hasSwept = Boolean(sweep?.moved); sweep = null; };
  grid.addEventListener('pointerup', endSweep);
  grid.addEventListener('pointerleave', () => { endSweep(); on.point(-1); rest.on(null); });
  grid.addEventListener('click', event => {
    const stroke = strokeAt(event);
    if (!stroke || hasSwept) { hasSwept = false; return; }
    on.pick([]);
    on.choose(stroke.hit.id);
  });
  grid.addEventListener('scroll', () => requestAnimationFrame(draw), { passive: true });
  const choose = (place, pick) => {
    if (!drums[place]) return;
    if (!shown.has(drums[place].key)) { grid.scrollTop = Math.max(0, (place - 1) * ROW_PX); draw(); }
    const stroke = pick(shown.get(drums[place].key)?.strip.strokes ?? []);
    if (stroke) { on.pick([]); on.choose(stroke.hit.id); }
  };
  grid.addEventListener('keydown', event => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key], down = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (event.target.tagName === 'SELECT' || (!step && !down && event.key !== ' ')) return;
    const node = [...shown.values()].find(other => other.strip.strokes.some(s => s.hit.id === state.chosen));
    const place = node ? drums.indexOf(node.drum) : -1;
    const now = node?.strip.strokes.find(stroke => stroke.hit.id === state.chosen);
    consumeKey(event);
    if (event.key === ' ') { if (state.chosen !== null) on.choose(state.chosen); return; }
    if (!now) { choose(0, strokes => strokes[0]); return; }
    if (step) choose(place, strokes => strokes[strokes.indexOf(now) + step]);
    else choose(place + down, strokes => strokes.reduce((best, stroke) =>
      (!best || Math.abs(stroke.x - now.x) < Math.abs(best.x - now.x) ? stroke : best), null));
  });
  box.focusHits = () => grid.focus();
  const resize = new ResizeObserver(draw);
  resize.observe(grid);
  const unsubscribe = [state.subscribe(['rows', 'layout', 'annotated'], group),
    state.subscribe(['chosen', 'picked', 'pointed'], mark)];
  group();
  return () => { resize.disconnect(); rest.on(null); unsubscribe.forEach(end => end()); };
}

export const makeDrumsGrid = defineElement('hit-drums', build);
