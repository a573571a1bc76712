// The loudness that a slot plays at each velocity: a line is a stroke, a dot its recorded level.

import { formatDecibels } from '../shared/format.js';

const WIDTH = 420, HEIGHT = 110, LEFT = 34, TOP = 8, FOOT = 18;   // px of the diagram and around it
const RANGE_DB = 60, STEP_DB = 20, VELOCITIES = [1, 32, 64, 96, 127];

function svg(tag, attributes, text = '') {
  const node = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.textContent = text;
  return node;
}

const xAt = velocity => LEFT + WIDTH * velocity / 127;
const yAt = (level, top) => TOP + HEIGHT * Math.min(Math.max(top - level, 0), RANGE_DB) / RANGE_DB;

function drawGrid(top) {
  const lines = [];
  for (let step = 0; step <= RANGE_DB; step += STEP_DB) {
    const y = yAt(top - step, top);
    lines.push(svg('path', { d: `M${LEFT} ${y}H${LEFT + WIDTH}`, class: 'grid' }),
      svg('text', { x: 2, y: y + 4 }, String(Math.round(top - step))));
  }
  for (const velocity of VELOCITIES) {
    const place = { x: xAt(velocity), y: TOP + HEIGHT + 14, 'text-anchor': 'middle' };
    lines.push(svg('text', place, String(velocity)));
  }
  return lines;
}

function drawStroke(stroke, top) {
  const { points, recorded } = stroke, distance = ([, level]) => Math.abs(level - recorded);
  const line = points.map(([velocity, level]) => `${xAt(velocity)} ${yAt(level, top)}`).join('L');
  const nearest = points.reduce((best, point) => (distance(point) < distance(best) ? point : best));
  const kind = stroke.layer % 2 ? 'odd' : 'even';
  return [svg('path', { d: `M${line}`, class: `level ${kind}` }),
    svg('circle', { cx: xAt(nearest[0]), cy: yAt(recorded, top), r: 2.5, class: kind })];
}

// slot: {label, levels: [{layer, recorded, points: [[velocity, LKFS], ...]}, ...]};
// null without a known level
export function velocityPlot(slot) {
  if (!slot.levels.length) return null;
  const levels = slot.levels.flatMap(stroke => stroke.points.map(point => point[1]));
  const top = Math.max(...levels), softest = Math.min(...levels);
  const label = `Loudness of ${slot.label} by velocity: ${formatDecibels(softest, 'LKFS')} at 1, `
    + `${formatDecibels(top, 'LKFS')} at 127`;
  const plot = svg('svg', { class: 'velocities', role: 'img', 'aria-label': label,
    viewBox: `0 0 ${LEFT + WIDTH + 10} ${TOP + HEIGHT + FOOT}` });
  plot.append(svg('title', {}, label), ...drawGrid(top),
    ...slot.levels.flatMap(stroke => drawStroke(stroke, top)));
  return plot;
}
