// The bar above the map and the key below it: what color shows, resting, level, lasso, zoom.

import { MARK_SIGNS } from '../browse/hit_rows.js';
import { WORDS } from '../constants.js';
import { GREY, CYCLE, RAMP, markIcon } from '../drawing/marks.js';
import { MARK_COLORS } from './painter.js';
import { engine } from '../playback/audio_engine.js';
import { el, inkOf } from '../shared/dom.js';

const COLORS = {                       // word, its low end, its high end
  role: ['role'], session: ['session'], mark: ['mark'], brightness: ['brightness', 'dark', 'bright'],
  length: ['length', 'short', 'long'], body: ['body pitch', 'low', 'high'], loudness: ['loudness', 'soft', 'loud'],
  strength: ['strength', 'lightest of its drum', 'hardest of its drum'], noise: ['noise', 'tone', 'noise'],
  attack: ['attack', 'sudden', 'gradual'], decay: ['decay', 'dies soon', 'rings on'],
};

function makeBar(map, ask) {           // ask: {color(name), take(rows)}
  const color = el('select', { 'aria-label': 'Color shows', onchange: () => { map.view.color = color.value; map.draw(); b.legend(); ask.color(color.value); } },
    ...Object.entries(COLORS).map(([value, [text]]) => el('option', { value }, text)));
  const rest = el('input', { type: 'checkbox', checked: engine.rest, onchange: () => engine.setRest(rest.checked) });
  const level = el('input', { type: 'range', min: -48, max: 0, step: 1, value: engine.levelDb, 'aria-label': 'Level of everything, dB',
    oninput: () => { engine.setLevel(Number(level.value)); shown.textContent = `${level.value} dB`; } });
  const shown = el('span', { class: 'db' }, `${engine.levelDb} dB`);
  const button = (text, label, go) => el('button', { type: 'button', 'aria-label': label, title: label, onclick: go }, text);
  const lasso = button('Lasso', 'Draw around hits to take them together; or hold shift and draw', () => b.setLasso(!map.lasso));
  lasso.setAttribute('aria-pressed', 'false');
  const fitting = el('span', { class: 'together fitting hidden' },
    button('Take all that fit', 'Take all hits that fit together, to hear, mark and tag them', () => ask.take(map.rowsShown())),
    button('Go to them', 'Move the map to the hits that fit', () => map.goToRows(map.rowsShown())));
  const key = el('ul', { class: 'legend', 'aria-label': 'What the marks mean' });
  const box = el('div', { class: 'bar' },
    el('label', {}, 'color: ', color),
    el('label', { class: 'tick' }, rest, 'play on rest'),
    el('label', { class: 'level' }, 'level', level, shown),
    el('span', { class: 'zooms' }, fitting, lasso, button('to chosen', 'Show the chosen hit on the map', () => map.goTo(map.view.chosen)),
      button('+', 'Zoom in', () => map.zoom(1.5)), button('−', 'Zoom out', () => map.zoom(1 / 1.5)), button('all', 'Show the whole map', map.all)));
  const b = { box, key };
  b.setColor = name => { if (name in COLORS) { map.view.color = name; color.value = name; } };
  b.setLasso = on => { map.setLasso(on); lasso.setAttribute('aria-pressed', String(on)); };

  const swatch = (tint, word) => el('li', { class: 'swatch' }, el('i', { style: `background:${tint}` }), el('bdi', {}, word));
  const colorItems = () => {
    const name = map.view.color, [, low, high] = COLORS[name];
    if (name === 'role') return [];
    if (name === 'session') return map.points.sessions.map((word, k) => swatch(CYCLE[k % CYCLE.length], word || 'unknown'));
    if (name === 'mark') return WORDS.marks.map(mark => swatch(MARK_COLORS[mark], MARK_SIGNS[mark] || 'no mark'));
    const unknown = map.points.scales[name].includes(255) ? [swatch(GREY, 'not known')] : [];
    return [el('li', { class: 'swatch' }, low, el('i', { class: 'ramp', style: `background:linear-gradient(90deg,${RAMP.join(',')})` }), high), ...unknown];
  };
  b.legend = () => {
    if (!map.points) return;
    const counts = new Uint32Array(WORDS.order.length), ink = map.view.color === 'role' ? undefined : inkOf(box);
    for (let k = 0; k < map.points.n; k++) if (map.shown(k)) counts[map.points.role[k]] += 1;
    const roles = [...counts.keys()].filter(role => counts[role]).sort((x, y) => counts[y] - counts[x]);
    key.replaceChildren(...roles.map(role => el('li', {}, markIcon(WORDS.order[role], ink), `${WORDS.roles[WORDS.order[role]]} `,
      el('b', {}, counts[role].toLocaleString('en')))), ...colorItems());
    fitting.classList.toggle('hidden', !map.mask);
  };
  b.setColor(map.view.color);
  return b;
}

export { makeBar };
