// The row above the map (color, play on hover, level, lasso, zoom) and the legend below it.

import { MARKS, ROLES, ROLE_LABELS } from '../constants.js';
import { textColor } from '../drawing/canvas.js';
import { GREY, MARK_COLORS, RAMP, SESSION_COLORS, UNKNOWN_RANK } from '../drawing/colors.js';
import { markIcon } from '../drawing/marks.js';
import { engine } from '../playback/audio_engine.js';
import { MARK_SIGNS } from '../shared/annotations.js';
import { button, el } from '../shared/dom.js';

const COLOR_SCALES = {                 // label, its low end, its high end
  role: ['role'], session: ['session'], mark: ['mark'], brightness: ['brightness', 'dark', 'bright'],
  length: ['length', 'short', 'long'], body: ['body pitch', 'low', 'high'],
  loudness: ['loudness', 'soft', 'loud'],
  strength: ['strength', 'softest of its drum', 'hardest of its drum'], noise: ['noise', 'tone', 'noise'],
  attack: ['attack', 'sudden', 'gradual'], decay: ['decay', 'short', 'long'],
};
const BUTTON_ZOOM = 1.5;

const swatch = (color, label) => el('li', { class: 'swatch' },
  el('i', { style: `background:${color}` }), el('bdi', {}, label));

function colorItems(points, scale) {   // of the legend, below the roles
  if (scale === 'role') return [];
  if (scale === 'session') {
    return points.sessions.map((label, k) =>
      swatch(SESSION_COLORS[k % SESSION_COLORS.length], label || 'unknown'));
  }
  if (scale === 'mark') return MARKS.map(mark => swatch(MARK_COLORS[mark], MARK_SIGNS[mark] || 'no mark'));
  const [, low, high] = COLOR_SCALES[scale], ramp = `background:linear-gradient(90deg,${RAMP.join(',')})`;
  const unknown = points.scales[scale].includes(UNKNOWN_RANK) ? [swatch(GREY, 'not known')] : [];
  return [el('li', { class: 'swatch' }, low, el('i', { class: 'ramp', style: ramp }), high), ...unknown];
}

function makeLevelFader() {
  const value = el('span', { class: 'db' }, `${engine.levelDb} dB`);
  const fader = el('input', { type: 'range', min: -48, max: 0, step: 1, value: engine.levelDb,
    'aria-label': 'Playback level, dB', oninput: () => {
      engine.setLevel(Number(fader.value));
      value.textContent = `${fader.value} dB`;
    } });
  return el('label', { class: 'level' }, 'level', fader, value);
}

export function makeMapToolbar(map, on) {   // on: {color(name), select(rows)}
  const legend = el('ul', { class: 'legend', 'aria-label': 'Legend' });
  const labeled = (text, label, onclick) => button(text, onclick, { 'aria-label': label, title: label });
  const color = el('select', { 'aria-label': 'Color shows', onchange: () => {
    map.view.color = color.value;
    map.draw();
    toolbar.drawLegend();
    on.color(color.value);
  } }, ...Object.entries(COLOR_SCALES).map(([value, [label]]) => el('option', { value }, label)));
  const playsOnHover = el('input', { type: 'checkbox', checked: engine.playsOnHover,
    onchange: () => engine.setPlaysOnHover(playsOnHover.checked) });
  const lasso = labeled('Lasso', 'Draw around hits to select them; or hold Shift and drag',
    () => toolbar.setLasso(!map.lasso.isOn));
  lasso.setAttribute('aria-pressed', 'false');
  const matching = el('span', { class: 'together fitting hidden' },
    labeled('Select all matches', 'Select all matching hits, to play, mark and tag them together',
      () => on.select(map.rowsShown())),
    labeled('Zoom to matches', 'Move the map to the matching hits', () => map.goToRows(map.rowsShown())));
  const box = el('div', { class: 'bar' },
    el('label', {}, 'color: ', color),
    el('label', { class: 'tick' }, playsOnHover, 'play under the pointer'),
    makeLevelFader(),
    el('span', { class: 'zooms' }, matching, lasso,
      labeled('center', 'Center on the chosen hit', () => map.goTo(map.view.chosen)),
      labeled('+', 'Zoom in', () => map.zoom(BUTTON_ZOOM)),
      labeled('−', 'Zoom out', () => map.zoom(1 / BUTTON_ZOOM)),
      labeled('all', 'Show the whole map', map.showAll)));

  const toolbar = { box, legend };
  toolbar.setColor = name => {
    if (name in COLOR_SCALES) map.view.color = color.value = name;
  };
  toolbar.setLasso = isOn => {
    map.setLasso(isOn);
    lasso.setAttribute('aria-pressed', String(isOn));
  };
  toolbar.drawLegend = () => {
    if (!map.points) return;
    const counts = new Uint32Array(ROLES.length);
    map.rowsShown().forEach(row => { counts[map.points.role[row]] += 1; });
    const ink = map.view.color === 'role' ? undefined : textColor(box);
    const present = [...counts.keys()].filter(k => counts[k]).sort((a, b) => counts[b] - counts[a]);
    legend.replaceChildren(
      ...present.map(k => el('li', {}, markIcon(ROLES[k], ink), `${ROLE_LABELS[ROLES[k]]} `,
        el('b', {}, counts[k].toLocaleString('en')))),
      ...colorItems(map.points, map.view.color));
    matching.classList.toggle('hidden', !map.mask);
  };
  toolbar.setColor(map.view.color);
  return toolbar;
}
