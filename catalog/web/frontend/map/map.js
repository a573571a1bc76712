// The map: where on it we are, which hits show and which is chosen; painting and hands lie beside it.

import { WAYS, layHands } from './input.js';
import { makeOverlay } from './overlay.js';
import { shadeGround, makePainter } from './painter.js';
import { rowsNear, rowToward, rowsInside } from './points.js';
import { engine } from '../playback/audio_engine.js';
import { el } from '../shared/dom.js';

const REACH_PX = 14;                   // a point farther from the pointer is not meant
const N_AHEAD = 24;                    // previews fetched around the pointer
const RING_PX = 46;                    // of the ring that Enter lays around the chosen hit
const MAX_ZOOM = 60;
const VIEWS = new Map();               // centre, zoom and choice outlive a new mount

function openView(name) {              // and, but for the choice, a reload
  let view = { cx: .5, cy: .5, zoom: 1 };
  try { view = { ...view, ...JSON.parse(sessionStorage.getItem(`hits.view.${name}`) ?? '{}') }; } catch { /* private window */ }
  if (!VIEWS.has(name)) VIEWS.set(name, { ...view, chosen: null, color: 'role' });
  return VIEWS.get(name);
}
function keepView(name, { cx, cy, zoom }) {
  try { sessionStorage.setItem(`hits.view.${name}`, JSON.stringify({ cx, cy, zoom })); } catch { /* private window */ }
}

function makeMap(name, ask) {          // ask: {choose(id), hover(id), taken(rows or null)}
  const view = openView(name);
  const land = el('canvas', { class: 'layer', 'aria-hidden': 'true' });
  const over = el('canvas', { class: 'layer front', tabIndex: 0, role: 'application',
    'aria-label': 'Map of hits; like sounds lie close together. Arrow keys walk to the next hit, with shift they move '
      + 'the map; space plays again, plus and minus zoom, home shows the chosen hit. Enter takes the hits around it, '
      + 'page up and page down take more or fewer, escape lets them go.' });
  const box = el('div', { class: 'map' }, land, over);
  const m = { box, over, view, points: null, mask: null, hover: -1, line: null, drawing: false, lasso: false };
  const paint = makePainter(land), overlay = makeOverlay(over);
  let w = 0, h = 0, dpr = 1, frame = 0, soon = 0, kept = 0;

  m.scale = () => [w * view.zoom, h * view.zoom];
  m.placeOf = (x, y) => { const [sx, sy] = m.scale(); return [(x - view.cx) * sx + w / 2, (view.cy - y) * sy + h / 2]; };
  m.toScreen = k => m.placeOf(m.points.x[k], m.points.y[k]);
  m.fromScreen = (px, py) => { const [sx, sy] = m.scale(); return [(px - w / 2) / sx + view.cx, view.cy - (py - h / 2) / sy]; };
  m.shown = k => !m.mask || (m.mask[k >> 3] & (128 >> (k & 7))) !== 0;
  m.hitAt = k => ({ id: m.points.ids[k], stamp: m.points.stamps[k], match_db: m.points.match[k] });
  m.hitOf = id => m.points?.row.has(id) ? m.hitAt(m.points.row.get(id)) : null;
  m.screenOf = id => { const k = m.points?.row.get(id); return k === undefined ? null : m.toScreen(k); };
  m.radius = () => {
    const base = m.points.n > 20000 ? 2 : m.points.n > 3000 ? 3 : m.points.n > 800 ? 4 : 5.5;
    return Math.min(9, base * Math.sqrt(Math.sqrt(view.zoom)) * (w < 500 ? .85 : 1));
  };

  m.drawOver = () => overlay(m, { w, h, dpr });
  const drawAll = () => {
    const [sx, sy] = m.scale();
    paint(m.points, m.mask, { W: land.width, H: land.height, dpr, sx, sy, view, radius: m.points ? m.radius() : 1 }, m.dark, m.ground);
    m.drawOver();
    if (m.points) m.frames = (m.frames ?? 0) + 1;
  };
  m.draw = () => {
    cancelAnimationFrame(frame);
    frame = requestAnimationFrame(drawAll);
    clearTimeout(kept);
    kept = setTimeout(() => keepView(name, view), 300);
  };

  m.near = (px, py, count) => {        // rows by distance on the screen, nearest first
    if (!m.points) return [];
    const [x, y] = m.fromScreen(px, py), [sx, sy] = m.scale();
    return rowsNear(m.points, { x, y, sx, sy, count, reach: count > 1 ? 90 : REACH_PX, shown: m.shown });
  };
  const aside = way => {
    const from = m.points.row.get(view.chosen), [sx, sy] = m.scale();
    const [x, y] = from === undefined ? [view.cx, view.cy] : [m.points.x[from], m.points.y[from]];
    return rowToward(m.points, { x, y, sx, sy, from, shown: m.shown }, way);
  };
  m.walk = way => {
    const k = aside(way);
    if (k >= 0) m.choose(m.points.ids[k]);
  };
  m.fetchNear = (px, py) => engine.prefetch(m.near(px, py, N_AHEAD).map(m.hitAt));
  const fetchAround = (px, py) => {    // where the arrow keys lead from here, once the hand rests
    clearTimeout(soon);
    soon = setTimeout(async () => {
      const next = Object.values(WAYS).map(aside).filter(k => k >= 0);
      await Promise.allSettled(next.map(k => engine.load(m.hitAt(k))));
      m.fetchNear(px, py);
    }, 120);
  };

  m.choose = (id, { play = true } = {}) => {
    const hit = m.hitOf(id);
    view.chosen = id;
    if (hit) {
      const [px, py] = m.screenOf(id);
      if (px < 10 || py < 10 || px > w - 10 || py > h - 10) m.goTo(id);
      if (play) engine.play(hit);
      fetchAround(...m.screenOf(id));
    }
    m.drawOver();
    ask.choose(id);
  };
  m.goTo = id => {                     // the hit in the middle, at the zoom that is set
    const k = m.points?.row.get(id);
    if (k === undefined) return;
    view.cx = m.points.x[k]; view.cy = m.points.y[k];
    m.draw();
  };
  m.pan = (ux, uy) => { view.cx += ux * .15 / view.zoom; view.cy += uy * .15 / view.zoom; m.draw(); };
  m.zoom = (factor, px = w / 2, py = h / 2) => {
    const [x, y] = m.fromScreen(px, py);
    view.zoom = Math.max(1, Math.min(MAX_ZOOM, view.zoom * factor));
    const [sx, sy] = m.scale();
    view.cx = x - (px - w / 2) / sx; view.cy = y + (py - h / 2) / sy;
    if (view.zoom === 1) { view.cx = view.cy = .5; }
    m.draw();
  };
  m.all = () => { view.zoom = 1; view.cx = view.cy = .5; m.draw(); };
  m.rowsShown = () => { const rows = []; for (let k = 0; k < m.points.n; k++) if (m.shown(k)) rows.push(k); return rows; };
  m.goToRows = rows => {               // as near as all of them allow
    if (!rows.length) return;
    let [x0, x1, y0, y1] = [1, 0, 1, 0];
    for (const k of rows) {
      x0 = Math.min(x0, m.points.x[k]); x1 = Math.max(x1, m.points.x[k]);
      y0 = Math.min(y0, m.points.y[k]); y1 = Math.max(y1, m.points.y[k]);
    }
    view.cx = (x0 + x1) / 2; view.cy = (y0 + y1) / 2;
    view.zoom = Math.max(1, Math.min(MAX_ZOOM / 3, .85 / Math.max(x1 - x0, y1 - y0, 1e-6)));
    m.draw();
  };

  const take = () => ask.taken(m.line ? rowsInside(m.points, m.line, m.shown) : []);
  m.closeLine = () => { m.drawing = false; m.drawOver(); take(); };
  m.dropLine = () => { m.drawing = false; m.line = null; m.drawOver(); };
  m.ringAround = id => {
    const k = m.points?.row.get(id), [sx, sy] = m.scale();
    if (k === undefined) return;
    m.line = Array.from({ length: 48 }, (_, i) => [m.points.x[k] + RING_PX / sx * Math.cos(i * Math.PI / 24),
      m.points.y[k] + RING_PX / sy * Math.sin(i * Math.PI / 24)]);
    m.closeLine();
  };
  m.widenLine = factor => {            // about its own middle
    if (!m.line) return;
    const [cx, cy] = [0, 1].map(i => m.line.reduce((sum, corner) => sum + corner[i], 0) / m.line.length);
    m.line = m.line.map(([x, y]) => [cx + (x - cx) * factor, cy + (y - cy) * factor]);
    m.closeLine();
  };
  m.setLasso = on => { m.lasso = on; over.style.cursor = on ? 'crosshair' : 'grab'; };

  const measure = () => {
    const r = box.getBoundingClientRect();
    if (r.width < 2) return;
    w = r.width; h = r.height; dpr = Math.min(2, window.devicePixelRatio || 1);
    [land, over].forEach(canvas => { canvas.width = Math.round(w * dpr); canvas.height = Math.round(h * dpr); });
    drawAll();
  };
  const watch = new ResizeObserver(measure), takeHands = layHands(m, over, ask);
  watch.observe(box);
  m.setPoints = points => { m.points = points; m.ground = shadeGround(points, m.dark); measure(); };
  m.said = changed => {                // [[id, role, mark], ...] as the server tells it
    for (const [id, role, mark] of changed) {
      const k = m.points?.row.get(id);
      if (k !== undefined) { m.points.role[k] = role; m.points.mark[k] = mark; }
    }
    m.draw();
  };
  m.setMask = mask => { m.mask = mask; m.draw(); };
  m.setDark = dark => { if (dark !== m.dark) { m.dark = dark; if (m.points) { m.ground = shadeGround(m.points, dark); m.draw(); } } };
  m.end = () => { watch.disconnect(); takeHands(); clearTimeout(soon); clearTimeout(kept); keepView(name, view); };
  return m;
}

export { makeMap };
