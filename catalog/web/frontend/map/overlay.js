// What is drawn above the marks: names of regions, rings, the drawn line, signs of marked hits.

import { MARKS, REGION_LABELS, THEME } from '../constants.js';
import { accentColor, textColor } from '../drawing/canvas.js';
import { MARK_SIGNS } from '../shared/annotations.js';

const MAX_SIGNS = 400;                 // more signs would hide the map
const NARROW_PX = 500;                 // a narrower map has smaller names
const NAME_GAP_PX = 18;                // between the middles of two names
const MAX_NAMED = 60;                  // hits in sight; more names would cover each other
const DRUM_ZOOM = 1.6, DRUM_LINE_PX = 16;   // from this zoom on drums are named too, in lines so high
const OVERVIEW_PX = [104, 72], OVERVIEW_ZOOM = 1.2;   // the small map of the whole, when zoomed in so far

export function makeOverlay(canvas) {
  const context = canvas.getContext('2d');
  const background = dark => (dark ? THEME.dark : THEME.light).background;

  const drawRegionNames = (map, w, h) => {
    context.textAlign = 'center';
    context.font = `italic 600 ${w < NARROW_PX ? 12 : 14}px Georgia, "Times New Roman", serif`;
    context.lineWidth = 4;
    context.lineJoin = 'round';
    context.strokeStyle = background(map.dark) + (map.dark ? 'D9' : 'E6');   // alpha .85 or .9
    context.fillStyle = textColor(canvas);
    const placed = [];                 // [middle, middle, half a width] of each name
    for (const [role, x, y] of map.points.regions) {
      const [cx, cy] = map.toScreen(x, y);
      if (cx < 0 || cy < 0 || cx > w || cy > h) continue;
      const text = REGION_LABELS[role] ?? role, half = context.measureText(text).width / 2 + 4;
      const px = Math.max(half, Math.min(w - half, cx)), py = Math.max(16, cy - 16);   // whole at an edge too
      const overlaps = ([otherX, otherY, otherHalf]) =>
        Math.abs(otherX - px) < otherHalf + half && Math.abs(otherY - py) < NAME_GAP_PX;
      if (placed.some(overlaps)) continue;
      placed.push([px, py, half]);
      context.strokeText(text, px, py);
      context.fillText(text, px, py);
    }
    return placed;
  };
  const drawDrumNames = (map, w, h, placed) => {   // the drums with the most strokes first
    context.font = '600 12px system-ui, sans-serif';
    context.lineWidth = 3;
    for (const { name, x, y, rows } of map.drums) {
      const [px, py] = map.toScreen(x, y);
      if (px < 0 || py < 0 || px > w || py > h || !rows.some(map.isShown)) continue;
      const half = context.measureText(name).width / 2 + 3;
      const overlaps = ([otherX, otherY, otherHalf]) =>
        Math.abs(otherX - px) < otherHalf + half && Math.abs(otherY - py) < DRUM_LINE_PX;
      if (placed.some(overlaps)) continue;
      placed.push([px, py, half]);
      context.strokeText(name, px, py);
      context.fillText(name, px, py);
    }
  };
  const drawHitNames = (map, rows) => {
    const placed = [];
    context.font = '12px system-ui, sans-serif';
    context.textAlign = 'left';
    context.lineWidth = 3;
    context.strokeStyle = background(map.dark) + 'E6';
    context.fillStyle = textColor(canvas);
    for (const row of rows) {
      const [x, y] = map.rowToScreen(row), text = map.nameOf(row), px = x + map.radius() + 5, py = y + 4;
      const width = context.measureText(text).width;
      if (placed.some(([ox, oy, ow]) => Math.abs(oy - py) < 13 && px < ox + ow && ox < px + width)) continue;
      placed.push([px, py, width]);
      context.strokeText(text, px, py);
      context.fillText(text, px, py);
    }
  };
  const drawOverview = (map, w, h) => {   // where the part in sight lies on the whole map
    if (map.view.zoom < OVERVIEW_ZOOM || w < NARROW_PX / 2) return;
    const [width, height] = OVERVIEW_PX, x = w - width - 10, y = h - height - 10;
    context.fillStyle = background(map.dark) + 'E6';
    context.strokeStyle = textColor(canvas);
    context.lineWidth = 1;
    context.fillRect(x, y, width, height);
    for (let k = 0; k < 3; k++) if (map.density) context.drawImage(map.density, x, y, width, height);
    context.globalAlpha = .5;
    context.strokeRect(x + .5, y + .5, width - 1, height - 1);
    context.globalAlpha = 1;
    const [x0, y0] = map.fromScreen(0, 0), [x1, y1] = map.fromScreen(w, h);
    const clip = v => Math.max(0, Math.min(1, v));
    context.strokeStyle = accentColor(canvas);
    context.lineWidth = 2;
    context.strokeRect(x + clip(x0) * width, y + (1 - clip(y0)) * height,
      (clip(x1) - clip(x0)) * width, (clip(y0) - clip(y1)) * height);
  };
  const drawSigns = (map, w, h) => {   // colors alone must not show what is marked
    const signs = [];
    for (let row = 0; row < map.points.n && signs.length <= MAX_SIGNS; row++) {
      if (!map.points.mark[row] || !map.isShown(row)) continue;
      const [px, py] = map.rowToScreen(row);
      if (px <= 0 || py <= 0 || px >= w || py >= h) continue;
      signs.push([MARK_SIGNS[MARKS[map.points.mark[row]]][0], px + map.radius() + 6, py + 4]);
    }
    if (signs.length > MAX_SIGNS) return;
    context.font = '600 12px sans-serif';
    context.textAlign = 'left';
    context.fillStyle = textColor(canvas);
    signs.forEach(sign => context.fillText(...sign));
  };
  const drawLine = ({ drawing, dark, toScreen }) => {
    if (!(drawing.line?.length > 1)) return;
    context.beginPath();
    drawing.line.forEach(([x, y]) => context.lineTo(...toScreen(x, y)));
    if (!drawing.isDrawing) context.closePath();
    context.lineJoin = 'round';
    context.lineWidth = 4;
    context.strokeStyle = background(dark);
    context.stroke();
    context.setLineDash([7, 5]);
    context.lineWidth = 2;
    context.strokeStyle = accentColor(canvas);
    context.stroke();
    context.setLineDash([]);
  };
  const drawRing = (map, row, radius, lineWidth) => {
    context.beginPath();
    context.arc(...map.rowToScreen(row), radius, 0, 7);
    context.lineWidth = lineWidth + 2;
    context.strokeStyle = background(map.dark);
    context.stroke();
    context.lineWidth = lineWidth;
    context.strokeStyle = textColor(canvas);
    context.stroke();
  };

  return (map, { w, h }, ratio) => {
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, w, h);
    if (!map.points) return;
    const placed = drawRegionNames(map, w, h), { zoom } = map.view;
    const named = zoom > OVERVIEW_ZOOM ? map.rowsInSight(MAX_NAMED) : [];
    if (named.length) drawHitNames(map, named);
    else if (zoom > DRUM_ZOOM) drawDrumNames(map, w, h, placed);
    drawOverview(map, w, h);
    if (map.view.color === 'mark') drawSigns(map, w, h);
    drawLine(map);
    if (map.hoveredRow >= 0) drawRing(map, map.hoveredRow, map.radius() + 4, 1.5);
    const chosen = map.points.rowOf.get(map.view.chosen);
    if (chosen !== undefined) drawRing(map, chosen, map.radius() + 6, 2.5);
  };
}
