// Which part of the map is shown: pan and zoom, and places on the screen. Map places lie within 0 to 1,
// y upward; screen places are in CSS pixels, y downward. view: {cx, cy, zoom}, size: {w, h}.

const MAX_ZOOM = 60, MAX_FIT_ZOOM = 20;
const FIT_SHARE = .85;                 // of the map that fitted hits may fill
const PAN_SHARE = .15;                 // of what is shown, for each step by key

export const scaleOf = (view, { w, h }) => [w * view.zoom, h * view.zoom];   // pixels per unit

export function toScreen(view, size, x, y) {
  const [sx, sy] = scaleOf(view, size);
  return [(x - view.cx) * sx + size.w / 2, (view.cy - y) * sy + size.h / 2];
}

export function fromScreen(view, size, px, py) {
  const [sx, sy] = scaleOf(view, size);
  return [(px - size.w / 2) / sx + view.cx, view.cy - (py - size.h / 2) / sy];
}

// Zoom so that the place under (px, py) stays there; all of the map is centered.
export function zoomAt(view, size, factor, px, py) {
  const [x, y] = fromScreen(view, size, px, py);
  const zoom = Math.max(1, Math.min(MAX_ZOOM, view.zoom * factor));
  if (zoom === 1) return { cx: .5, cy: .5, zoom };
  const [sx, sy] = scaleOf({ zoom }, size);
  return { cx: x - (px - size.w / 2) / sx, cy: y + (py - size.h / 2) / sy, zoom };
}

export function panPixels({ cx, cy, zoom }, size, dx, dy) {
  const [sx, sy] = scaleOf({ zoom }, size);
  return { cx: cx - dx / sx, cy: cy + dy / sy, zoom };
}

export const panSteps = ({ cx, cy, zoom }, ux, uy) =>
  ({ cx: cx + ux * PAN_SHARE / zoom, cy: cy + uy * PAN_SHARE / zoom, zoom });

export function fitBounds([x0, x1, y0, y1]) {
  const zoom = FIT_SHARE / Math.max(x1 - x0, y1 - y0, 1e-6);
  return { cx: (x0 + x1) / 2, cy: (y0 + y1) / 2, zoom: Math.max(1, Math.min(MAX_FIT_ZOOM, zoom)) };
}

// A ring of corners around a place, `radius` pixels wide.
export function ringAround(view, size, [x, y], radius) {
  const [sx, sy] = scaleOf(view, size), nCorners = 48;
  return Array.from({ length: nCorners }, (_, k) => {
    const angle = 2 * Math.PI * k / nCorners;
    return [x + radius / sx * Math.cos(angle), y + radius / sy * Math.sin(angle)];
  });
}

// Scale a line about the mean of its corners.
export function scaleLine(line, factor) {
  const [cx, cy] = [0, 1].map(axis => line.reduce((sum, corner) => sum + corner[axis], 0) / line.length);
  return line.map(([x, y]) => [cx + (x - cx) * factor, cy + (y - cy) * factor]);
}
