// Pointer, fingers, wheel and keys on the map: rest, choose, pan, pinch, draw around hits, walk.

import { engine } from '../playback/audio_engine.js';
import { ownKey } from '../shared/dom.js';

const REST_MS = 70;                    // a pointer that only passes by plays nothing
const SLIP_PX = 4;                     // a press that moves less is a press on one place
const STEP_PX = 3;                     // between the corners of a drawn line
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

function layHands(m, over, ask) {      // ask: {hover(id), taken(rows or null)}
  const down = new Map();              // pointer id -> [x, y]
  let drift = null, pinch = null, rest = 0, ahead = 0;
  const point = event => { const r = over.getBoundingClientRect(); return [event.clientX - r.left, event.clientY - r.top]; };
  const spread = () => {
    const [[ax, ay], [bx, by]] = [...down.values()];
    return { far: Math.max(20, Math.hypot(ax - bx, ay - by)), px: (ax + bx) / 2, py: (ay + by) / 2 };
  };
  const leave = () => {
    clearTimeout(rest);
    if (m.hover >= 0) { m.hover = -1; m.drawOver(); ask.hover(null); }
  };

  over.addEventListener('pointerdown', event => {
    const [px, py] = point(event);
    down.set(event.pointerId, [px, py]);
    try { over.setPointerCapture(event.pointerId); } catch { /* it has been lifted already */ }
    if (down.size === 2) { pinch = spread(); drift = null; m.dropLine(); return; }
    drift = { px, py, cx: m.view.cx, cy: m.view.cy, moved: false, draws: m.lasso || event.shiftKey };
  });
  const drag = (px, py) => {
    const [sx, sy] = m.scale();
    drift.moved = true;
    if (!drift.draws) {
      m.view.cx = drift.cx - (px - drift.px) / sx; m.view.cy = drift.cy + (py - drift.py) / sy;
      m.draw();
      return;
    }
    if (!m.drawing) { m.drawing = true; m.line = [m.fromScreen(drift.px, drift.py)]; drift.last = [drift.px, drift.py]; }
    if (Math.hypot(px - drift.last[0], py - drift.last[1]) < STEP_PX) return;
    m.line.push(m.fromScreen(px, py));
    drift.last = [px, py];
    m.drawOver();
  };
  const lookAt = (px, py) => {
    const k = m.near(px, py, 1)[0] ?? -1;
    if (k === m.hover) return;
    m.hover = k;
    m.drawOver();
    over.style.cursor = m.lasso ? 'crosshair' : k >= 0 ? 'pointer' : 'grab';
    clearTimeout(rest); clearTimeout(ahead);
    ahead = setTimeout(() => {
      if (!engine.awake()) return;
      m.fetchNear(px, py);
      if (k >= 0) engine.load(m.hitAt(k)).catch(() => {});   // a click that follows finds it decoded
    }, 25);
    ask.hover(k >= 0 ? m.points.ids[k] : null);
    if (k >= 0 && engine.rest) rest = setTimeout(() => engine.play(m.hitAt(k), { brief: true }), REST_MS);
  };
  over.addEventListener('pointermove', event => {
    const [px, py] = point(event);
    if (down.has(event.pointerId)) down.set(event.pointerId, [px, py]);
    if (!m.points) return;
    if (pinch && down.size === 2) {
      const now = spread(), [sx, sy] = m.scale();
      m.view.cx -= (now.px - pinch.px) / sx; m.view.cy += (now.py - pinch.py) / sy;
      m.zoom(now.far / pinch.far, now.px, now.py);
      pinch = now;
    } else if (drift && (drift.moved || Math.hypot(px - drift.px, py - drift.py) > SLIP_PX)) drag(px, py);
    else if (event.pointerType === 'mouse') lookAt(px, py);
  });
  const lift = event => {
    down.delete(event.pointerId);
    if (down.size < 2) pinch = null;
  };
  over.addEventListener('pointerup', event => {
    const held = drift, [px, py] = point(event);
    lift(event); drift = null;
    if (!held || !m.points) return;
    if (m.drawing) { m.closeLine(); return; }
    const k = held.moved ? undefined : m.near(px, py, 1)[0];
    if (k !== undefined) { clearTimeout(rest); m.choose(m.points.ids[k]); }
  });
  over.addEventListener('pointercancel', event => { lift(event); drift = null; if (m.drawing) m.dropLine(); leave(); });
  over.addEventListener('pointerleave', leave);
  // Two fingers, or one that draws, must not scroll the page below.
  ['touchstart', 'touchmove'].forEach(kind => over.addEventListener(kind, event => {
    if (event.touches.length > 1 || m.lasso) event.preventDefault();
  }, { passive: false }));
  over.addEventListener('wheel', event => {       // only once the map is in use: the page must scroll
    if (over.getRootNode().activeElement !== over && !event.ctrlKey) return;
    event.preventDefault();
    m.zoom(Math.exp(-event.deltaY * .0015), ...point(event));
  }, { passive: false });

  const keys = {
    ' ': () => { const hit = m.hitOf(m.view.chosen); if (hit) engine.play(hit); },
    '+': () => m.zoom(1.4), '=': () => m.zoom(1.4), '-': () => m.zoom(1 / 1.4), 0: () => m.all(),
    Home: () => m.goTo(m.view.chosen), Enter: () => m.ringAround(m.view.chosen),
    PageUp: () => m.widenLine(1.25), PageDown: () => m.widenLine(1 / 1.25), Escape: () => ask.taken(null),
  };
  over.addEventListener('keydown', event => {
    if (!m.points || event.ctrlKey || event.metaKey || event.altKey) return;
    if (WAYS[event.key] && event.shiftKey) m.pan(...WAYS[event.key]);
    else if (WAYS[event.key]) m.walk(WAYS[event.key]);
    else if (keys[event.key]) keys[event.key]();
    else return;
    ownKey(event);
  });
  return () => { clearTimeout(rest); clearTimeout(ahead); };
}

export { WAYS, layHands };
