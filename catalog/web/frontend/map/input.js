// Pointer, touch, wheel and keys on the map: play on hover, choose, pan, pinch, draw around hits, walk.

import { engine } from '../playback/audio_engine.js';
import { makeRest } from '../playback/rest.js';
import { consumeKey, hasModifier } from '../shared/dom.js';

const SLIP_PX = 4;                     // a press that moves less is a click
const STEP_PX = 3;                     // between the corners of a drawn line
const LEAST_PINCH_PX = 20;             // fingers closer than this would zoom in jumps
const WHEEL_ZOOM = .0015;              // per unit of the wheel's delta
const KEY_ZOOM = 1.4, KEY_WIDEN = 1.25;
export const DIRECTIONS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

// on: {hover(row or -1), release()}; the result ends the timers.
export function addMapInput(map, canvas, on) {
  const pointers = new Map();          // pointer id -> [x, y]
  const rest = makeRest();
  let drag = null, pinch = null;
  const positionOf = event => {
    const { left, top } = canvas.getBoundingClientRect();
    return [event.clientX - left, event.clientY - top];
  };
  const measurePinch = () => {
    const [[ax, ay], [bx, by]] = [...pointers.values()];
    const distance = Math.max(LEAST_PINCH_PX, Math.hypot(ax - bx, ay - by));
    return { distance, x: (ax + bx) / 2, y: (ay + by) / 2 };
  };

  const continuePinch = () => {
    const now = measurePinch();
    map.panPixels(now.x - pinch.x, now.y - pinch.y);
    map.zoom(now.distance / pinch.distance, now.x, now.y);
    pinch = now;
  };
  const continueLine = (px, py) => {
    if (!map.drawing.isDrawing) {
      map.drawing.isDrawing = true;
      map.drawing.line = [map.fromScreen(...drag.from)];
      drag.corner = drag.from;
    }
    if (Math.hypot(px - drag.corner[0], py - drag.corner[1]) < STEP_PX) return;
    map.drawing.line.push(map.fromScreen(px, py));
    drag.corner = [px, py];
    map.drawOverlay();
  };
  const continueDrag = (px, py) => {
    drag.hasMoved = true;
    if (drag.draws) { continueLine(px, py); return; }
    map.panPixels(px - drag.last[0], py - drag.last[1]);
    drag.last = [px, py];
  };
  const hover = (px, py) => {
    const row = map.rowsNear(px, py, 1)[0] ?? -1;
    if (row === map.hoveredRow) return;
    canvas.style.cursor = map.drawing.isOn ? 'crosshair' : row >= 0 ? 'pointer' : 'grab';
    on.hover(row);
    rest.on(row >= 0 ? map.hitAt(row) : null);
    if (engine.isAwake()) map.prefetchNear(px, py);
  };
  const leave = () => {
    rest.on(null);
    if (map.hoveredRow >= 0) on.hover(-1);
  };

  canvas.addEventListener('pointerdown', event => {
    const place = positionOf(event);
    pointers.set(event.pointerId, place);
    try { canvas.setPointerCapture(event.pointerId); } catch { /* it has been lifted already */ }
    if (pointers.size === 2) {
      pinch = measurePinch();
      drag = null;
      map.dropLine();
    } else drag = { from: place, last: place, hasMoved: false, draws: map.drawing.isOn || event.shiftKey };
  });
  canvas.addEventListener('pointermove', event => {
    const place = positionOf(event);
    if (pointers.has(event.pointerId)) pointers.set(event.pointerId, place);
    if (!map.points) return;
    const slip = drag ? Math.hypot(place[0] - drag.from[0], place[1] - drag.from[1]) : 0;
    if (pinch && pointers.size === 2) continuePinch();
    else if (drag && (drag.hasMoved || slip > SLIP_PX)) continueDrag(...place);
    else if (event.pointerType === 'mouse') hover(...place);
  });
  const lift = event => {
    const lifted = drag;
    pointers.delete(event.pointerId);
    if (pointers.size < 2) pinch = null;
    drag = null;
    return lifted;
  };
  canvas.addEventListener('pointerup', event => {
    const lifted = lift(event);
    if (!lifted || !map.points) return;
    if (map.drawing.isDrawing) { map.closeLine(); return; }
    const row = lifted.hasMoved ? undefined : map.rowsNear(...positionOf(event), 1)[0];
    if (row === undefined) return;
    rest.on(null);
    map.choose(map.points.ids[row]);
  });
  canvas.addEventListener('pointercancel', event => {
    lift(event);
    if (map.drawing.isDrawing) map.dropLine();
    leave();
  });
  canvas.addEventListener('pointerleave', leave);
  // Two fingers, or one that draws, must not scroll the page below.
  ['touchstart', 'touchmove'].forEach(kind => canvas.addEventListener(kind, event => {
    if (event.touches.length > 1 || map.drawing.isOn) event.preventDefault();
  }, { passive: false }));
  canvas.addEventListener('wheel', event => {
    event.preventDefault();
    map.zoom(Math.exp(-event.deltaY * WHEEL_ZOOM), ...positionOf(event));
  }, { passive: false });

  const keys = {
    ' ': () => map.view.chosen !== null && map.choose(map.view.chosen),
    '+': () => map.zoom(KEY_ZOOM), '=': () => map.zoom(KEY_ZOOM), '-': () => map.zoom(1 / KEY_ZOOM),
    0: map.showAll, Home: () => map.goTo(map.view.chosen), Enter: () => map.selectAround(map.view.chosen),
    PageUp: () => map.widenLine(KEY_WIDEN), PageDown: () => map.widenLine(1 / KEY_WIDEN), Escape: on.release,
  };
  canvas.addEventListener('keydown', event => {
    const direction = DIRECTIONS[event.key];
    if (!map.points || hasModifier(event) || !(direction || keys[event.key])) return;
    if (direction) (event.shiftKey ? map.panSteps : map.walk)(...direction);
    else keys[event.key]();
    consumeKey(event);
  });
  return () => rest.on(null);
}
