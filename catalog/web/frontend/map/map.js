// The map of hits: its viewport, mask, hover, choice and drawn line. Painting and input are beside it.

import { pixelRatio } from '../drawing/canvas.js';
import { engine } from '../playback/audio_engine.js';
import { el } from '../shared/dom.js';
import { drawDensity } from './density.js';
import { DIRECTIONS, addMapInput } from './input.js';
import { makeOverlay } from './overlay.js';
import { makePainter } from './painter.js';
import { listInSight } from './in_sight.js';
import { isShown } from './points.js';
import { boundsOf, rowToward, rowsInside, rowsNear } from './spatial_index.js';
import { fitBounds, fromScreen, panPixels, panSteps, ringAround, scaleLine, scaleOf, toScreen, zoomAt }
  from './viewport.js';

const REACH_PX = 14;                   // from the pointer to a mark that it means
const PREFETCH_REACH_PX = 90, N_PREFETCHED = 24;   // previews fetched around the pointer
const PREFETCH_MS = 120;               // after a hit was chosen
const RING_PX = 46;                    // of the ring that Enter lays around the chosen hit
const EDGE_PX = 10;                    // a hit closer to the edge is moved to the middle when chosen
const KEEP_MS = 300;                   // after the last move the viewport is stored
// Radius of a mark in CSS pixels, by how many points there are.
const RADII = [[20000, 2], [3000, 3], [800, 4], [0, 5.5]], MAX_RADIUS = 9;
const LABEL = 'Map of hits; similar sounds lie close together. Arrow keys move to the next hit, with Shift '
  + 'they move the map; space plays again, plus and minus zoom, Home centers the chosen hit. Enter selects '
  + 'the hits around it, Page Up and Page Down select more or fewer, Escape clears the selection.';

const views = new Map();               // name -> view; outlives a new mount

function openView(name) {              // the viewport outlives a reload too
  if (views.has(name)) return views.get(name);
  let stored = {};
  try {
    stored = JSON.parse(sessionStorage.getItem(`hits.view.${name}`) ?? '{}');
  } catch { /* a private window keeps nothing */ }
  views.set(name, { cx: .5, cy: .5, zoom: 1, ...stored, chosen: null, color: 'role' });
  return views.get(name);
}
function storeView(name, { cx, cy, zoom }) {
  const text = JSON.stringify({ cx, cy, zoom });
  try { sessionStorage.setItem(`hits.view.${name}`, text); } catch { /* as above */ }
}

// on: {choose(id), hover(id or null), select(rows), release()}
export function makeMap(name, on) {
  const view = openView(name), size = { w: 0, h: 0 }, timers = { prefetch: 0, store: 0 };
  const base = el('canvas', { class: 'layer', 'aria-hidden': 'true' });
  const front = el('canvas', { class: 'layer front', tabIndex: 0, role: 'application', 'aria-label': LABEL });
  const box = el('div', { class: 'map' }, base, front);
  const map = { box, front, view, points: null, mask: null, dark: false, hoveredRow: -1, nFrames: 0,
    drawing: { isOn: false, isDrawing: false, line: null }, nameOf: () => '', density: null,
    drums: [], onView: () => {} };
  const paint = makePainter(base), drawOver = makeOverlay(front);
  let ratio = 1, frame = 0;

  map.toScreen = (x, y) => toScreen(view, size, x, y);
  map.fromScreen = (px, py) => fromScreen(view, size, px, py);
  map.rowToScreen = row => map.toScreen(map.points.x[row], map.points.y[row]);
  map.isShown = row => isShown(map.mask, row);
  map.hitAt = row =>
    ({ id: map.points.ids[row], stamp: map.points.stamps[row], match_db: map.points.matchDb[row] });
  const withRow = (id, use) => {       // null for a hit that is not on the map
    const row = map.points?.rowOf.get(id);
    return row === undefined ? null : use(row);
  };
  map.hitOf = id => withRow(id, map.hitAt);
  map.screenOf = id => withRow(id, map.rowToScreen);
  map.radius = () => {
    const [, radius] = RADII.find(([n]) => map.points.n > n) ?? RADII.at(-1);
    return Math.min(MAX_RADIUS, radius * view.zoom ** .25 * (size.w < 500 ? .85 : 1));
  };

  map.drawOverlay = () => drawOver(map, size, ratio);
  const drawNow = () => {
    const radius = map.points ? map.radius() : 1;
    paint(map.points, map.mask, { view, size, ratio, radius, dark: map.dark, density: map.density });
    map.drawOverlay();
    if (map.points) map.nFrames += 1;
  };
  map.draw = () => {
    cancelAnimationFrame(frame);
    frame = requestAnimationFrame(drawNow);
    clearTimeout(timers.store);
    timers.store = setTimeout(() => { storeView(name, view); map.onView(); }, KEEP_MS);
  };

  const setView = change => { Object.assign(view, change); map.draw(); };
  map.zoom = (factor, px = size.w / 2, py = size.h / 2) => setView(zoomAt(view, size, factor, px, py));
  map.panPixels = (dx, dy) => setView(panPixels(view, size, dx, dy));
  map.panSteps = (ux, uy) => setView(panSteps(view, ux, uy));
  map.showAll = () => setView({ cx: .5, cy: .5, zoom: 1 });
  map.goTo = id => withRow(id, row => setView({ cx: map.points.x[row], cy: map.points.y[row] }));
  map.goToRows = rows => {             // as near as all of them allow
    if (rows.length) setView(fitBounds(boundsOf(rows.map(row => [map.points.x[row], map.points.y[row]]))));
  };

  map.rowsInSight = most => {          // none if there are more
    const [x0, y1] = map.fromScreen(0, 0), [x1, y0] = map.fromScreen(size.w, size.h), found = [];
    for (let row = 0; row < map.points.n && found.length <= most; row++) {
      const x = map.points.x[row], y = map.points.y[row];
      if (x > x0 && x < x1 && y > y0 && y < y1 && map.isShown(row)) found.push(row);
    }
    return found.length > most ? [] : found;
  };
  map.listInSight = () => {
    const [x0, y1] = map.fromScreen(0, 0), [x1, y0] = map.fromScreen(size.w, size.h);
    return listInSight(map.points, map.drums, [x0, x1, y0, y1], map.isShown);
  };
  map.rowsShown = () => [...map.points.ids.keys()].filter(map.isShown);
  map.rowsNear = (px, py, count) => {  // nearest first
    if (!map.points) return [];
    const [x, y] = map.fromScreen(px, py), [sx, sy] = scaleOf(view, size);
    const reach = count > 1 ? PREFETCH_REACH_PX : REACH_PX;
    return rowsNear(map.points, { x, y, sx, sy, count, reach, shown: map.isShown });
  };
  const rowBeside = direction => {     // of the chosen hit, else of the middle of the map
    const from = map.points.rowOf.get(view.chosen), [sx, sy] = scaleOf(view, size);
    const [x, y] = from === undefined ? [view.cx, view.cy] : [map.points.x[from], map.points.y[from]];
    return rowToward(map.points, { x, y, sx, sy, from, shown: map.isShown }, direction);
  };
  map.walk = (ux, uy) => {
    const row = rowBeside([ux, uy]);
    if (row >= 0) map.choose(map.points.ids[row]);
  };

  map.prefetchNear = (px, py) => engine.prefetch(map.rowsNear(px, py, N_PREFETCHED).map(map.hitAt));
  const prefetchBeside = async id => { // where the arrow keys lead from here
    const rows = Object.values(DIRECTIONS).map(rowBeside).filter(row => row >= 0);
    await Promise.all(rows.map(row => engine.loadQuietly(map.hitAt(row))));
    withRow(id, row => map.prefetchNear(...map.rowToScreen(row)));
  };
  map.choose = id => on.choose(id);
  map.showChosen = id => {             // the hit that was chosen here or elsewhere on the page
    view.chosen = id;
    if (map.hitOf(id) && size.w) {
      const [px, py] = map.screenOf(id);
      if (Math.min(px, py, size.w - px, size.h - py) < EDGE_PX) map.goTo(id);
      clearTimeout(timers.prefetch);
      timers.prefetch = setTimeout(prefetchBeside, PREFETCH_MS, id);
    }
    map.drawOverlay();
  };
  map.point = row => {                 // the row below the pointer, here or in the list
    if (row === map.hoveredRow) return;
    map.hoveredRow = row;
    map.drawOverlay();
  };

  map.setDrawing = isOn => { map.drawing.isOn = isOn; front.style.cursor = isOn ? 'crosshair' : 'grab'; };
  map.closeLine = () => {
    map.drawing.isDrawing = false;
    map.drawOverlay();
    on.select(map.drawing.line ? rowsInside(map.points, map.drawing.line, map.isShown) : []);
  };
  map.dropLine = () => {
    Object.assign(map.drawing, { isDrawing: false, line: null });
    map.drawOverlay();
  };
  const setLine = line => { map.drawing.line = line; map.closeLine(); };
  map.selectAround = id => withRow(id, row =>
    setLine(ringAround(view, size, [map.points.x[row], map.points.y[row]], RING_PX)));
  map.widenLine = factor => { if (map.drawing.line) setLine(scaleLine(map.drawing.line, factor)); };

  const measure = () => {
    const { width, height } = box.getBoundingClientRect();
    if (width < 2) return;             // the tab of the map is hidden
    Object.assign(size, { w: width, h: height });
    ratio = pixelRatio();
    [base, front].forEach(canvas => {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    });
    drawNow();
  };
  map.setPoints = points => {
    map.points = points;
    map.density = drawDensity(points, map.dark);
    measure();
  };
  map.setMask = mask => { map.mask = mask; map.draw(); };
  map.setDark = dark => {
    if (dark === map.dark) return;
    map.dark = dark;
    if (!map.points) return;
    map.density = drawDensity(map.points, dark);
    map.draw();
  };
  map.applyAnnotations = changed => {  // [[id, role, mark], ...]
    for (const [id, role, mark] of changed) {
      withRow(id, row => { map.points.role[row] = role; map.points.mark[row] = mark; });
    }
    map.draw();
  };

  const resize = new ResizeObserver(measure), endInput = addMapInput(map, front, on);
  resize.observe(box);
  map.end = () => {
    resize.disconnect();
    endInput();
    Object.values(timers).forEach(clearTimeout);
    storeView(name, view);
  };
  return map;
}
