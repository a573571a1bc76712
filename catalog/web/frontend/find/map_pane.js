// The map of hits with its row of controls; what is chosen, pointed at and asked for comes from the state.

import { GREY, MARK_COLORS, RAMP, SESSION_COLORS, UNKNOWN_RANK } from '../drawing/colors.js';
import { MARKS, ROLE_LABELS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { findDrums } from '../map/in_sight.js';
import { makeMap } from '../map/map.js';
import { MARK_SIGNS } from '../shared/annotations.js';
import { button, el } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';

const COLOR_SCALES = {          // label, its low end, its high end
  role: ['role'], session: ['session'], mark: ['mark'], brightness: ['brightness', 'dark', 'bright'],
  length: ['length', 'short', 'long'], body: ['body pitch', 'low', 'high'],
  loudness: ['loudness', 'soft', 'loud'],
  strength: ['strength', 'softest of its drum', 'hardest of its drum'], noise: ['noise', 'tone', 'noise'],
  attack: ['attack', 'sudden', 'gradual'], decay: ['decay', 'short', 'long'],
};
const BUTTON_ZOOM = 1.5, LISTED_ZOOM = 1.3;   // from this zoom on what is in sight is listed

const swatch = (color, label) => el('li', { class: 'swatch' },
  el('i', { style: `background:${color}` }), el('bdi', {}, label));

function makeLegend({ color, columns }) {   // of what the roles at the left do not explain
  if (color === 'role') return [];
  const { points, sessionLabels } = columns;
  if (color === 'mark') return MARKS.map(mark => swatch(MARK_COLORS[mark], MARK_SIGNS[mark] || 'no mark'));
  if (color === 'session') {
    if (points.sessions.length > SESSION_COLORS.length) {
      return [el('li', {}, 'more sessions than colors: point at one in the list on the left to see it')];
    }
    return points.sessions.map((_, k) => swatch(SESSION_COLORS[k], sessionLabels[k] || 'unknown'));
  }
  const [, low, high] = COLOR_SCALES[color], ramp = `background:linear-gradient(90deg,${RAMP.join(',')})`;
  const unknown = points.scales[color].includes(UNKNOWN_RANK) ? [swatch(GREY, 'not known')] : [];
  return [el('li', { class: 'swatch' }, low, el('i', { class: 'ramp', style: ramp }), high), ...unknown];
}

// on: {choose(id), point(row), draw(ids), release()}
function build(box, { state, on, name }) {
  const map = makeMap(name, { choose: on.choose, hover: on.point, release: on.release,
    select: rows => on.draw(rows.map(row => map.points.ids[row])) });
  const color = el('select', { 'aria-label': 'Color shows',
    onchange: () => state.change({ color: color.value }) },
  ...Object.entries(COLOR_SCALES).map(([value, [label]]) => el('option', { value }, label)));
  const drawing = button('Draw around', () => setDrawing(!map.drawing.isOn), { 'aria-pressed': 'false',
    title: 'Draw a line around hits to ask for them; or hold Shift and drag' });
  const setDrawing = isOn => {
    map.setDrawing(isOn);
    drawing.setAttribute('aria-pressed', String(isOn));
  };
  const zoom = (text, label, onclick) => button(text, onclick, { 'aria-label': label, title: label });
  const legend = el('ul', { class: 'legend', 'aria-label': 'Legend' });
  const inSight = el('ol', { class: 'in-sight', 'aria-label': 'In sight on the map' });
  const makeInSight = ({ name: drum, role, rows }) => el('li', {},
    el('button', { type: 'button', class: 'choice', 'data-drum': String(Boolean(drum)),
      title: 'Show these as large as they fit', onclick: () => map.goToRows(rows) },
    drum ? '' : markIcon(role), el('bdi', { class: 'word' }, drum || ROLE_LABELS[role]),
    el('b', {}, rows.length.toLocaleString('en'))));
  const provisional = el('p', { class: 'provisional', role: 'status', hidden: true });
  box.setAttribute('role', 'region');
  box.setAttribute('aria-label', 'Map');
  box.replaceChildren(
    el('div', { class: 'map-bar' }, el('label', {}, 'color ', color), drawing,
      el('span', { class: 'zooms' }, zoom('−', 'Zoom out', () => map.zoom(1 / BUTTON_ZOOM)),
        zoom('+', 'Zoom in', () => map.zoom(BUTTON_ZOOM)),
        zoom('all', 'Show all of the map', map.showAll))),
    map.box, inSight, legend, provisional);
  map.nameOf = row => state.columns?.names[row] ?? '';
  box.map = map;
  box.preview = session => {           // show one session alone while it is pointed at
    if (session === null) { map.setMask(state.shownMask()); return; }
    const mask = new Uint8Array((map.points.n + 7) >> 3);
    map.points.session.forEach((k, row) => { if (k === session) mask[row >> 3] |= 128 >> (row & 7); });
    map.setMask(mask);
  };
  box.setDrawing = setDrawing;

  const drawColor = () => {
    if (!state.columns) return;
    map.view.color = color.value = state.color in COLOR_SCALES ? state.color : 'role';
    legend.replaceChildren(...makeLegend(state));
    map.draw();
  };
  const setPoints = () => {
    if (!state.columns) return;
    map.drums = findDrums(state.columns);
    map.setPoints(state.columns.points);
    map.showChosen(state.chosen);
    drawColor();
  };
  map.onView = () => {                 // what is in sight, as names that lead there
    const listed = map.points && map.view.zoom > LISTED_ZOOM ? map.listInSight() : [];
    inSight.replaceChildren(...listed.map(makeInSight));
  };
  const setMask = () => {
    map.setMask(state.shownMask());
    if (!state.question.drawn && !map.drawing.isDrawing) map.dropLine();
  };
  const unsubscribe = [
    state.subscribe(['columns'], setPoints), state.subscribe(['rows'], setMask),
    state.subscribe(['color', 'annotated'], drawColor),
    state.subscribe(['chosen'], () => map.showChosen(state.chosen)),
    state.subscribe(['pointed'], () => map.point(state.pointed)),
    state.subscribe(['dark'], () => map.setDark(state.dark)),
    state.subscribe(['layoutState'], () => {
      provisional.textContent = state.layoutState;
      provisional.hidden = !state.layoutState;
    })];
  map.setDark(state.dark);
  setPoints();
  setMask();
  return () => { map.end(); unsubscribe.forEach(end => end()); };
}

export const makeMapPane = defineElement('hit-map', build);
export const isColor = name => name in COLOR_SCALES;
