// What is on the screen, by name: drums with their places on the map, and counts of roles and drums in sight.

import { ROLES } from '../constants.js';

const MIN_STROKES = 3;                 // of a drum with a name on the map
const FEW_ROLES = 3;                   // in sight; then their drums are listed too
const MAX_LISTED = 9;

const median = values => Float64Array.from(values).sort()[values.length >> 1];

// Group the rows of each drum: [{name, role, rows, x, y}, ...], most strokes first.
export function findDrums({ points, drum, drums }) {
  const groups = new Map();
  for (let row = 0; row < points.n; row++) {
    if (!drums[drum[row]]) continue;
    const key = drum[row] * 65536 + points.session[row];
    if (!groups.has(key)) groups.set(key, []);
    groups.get(key).push(row);
  }
  return [...groups.values()].filter(rows => rows.length >= MIN_STROKES).map(rows => ({
    name: drums[drum[rows[0]]], role: points.role[rows[0]], rows,
    x: median(rows.map(row => points.x[row])), y: median(rows.map(row => points.y[row])),
  })).sort((a, b) => b.rows.length - a.rows.length);
}

// Count what lies within [x0, x1, y0, y1]: [{label, role, rows}, ...], the most first; roles, or drums if
// few roles are in sight.
export function listInSight(points, drums, [x0, x1, y0, y1], isShown) {
  const isInside = row => points.x[row] > x0 && points.x[row] < x1 && points.y[row] > y0 && points.y[row] < y1
    && isShown(row);
  const byRole = new Map();
  for (let row = 0; row < points.n; row++) {
    if (!isInside(row)) continue;
    if (!byRole.has(points.role[row])) byRole.set(points.role[row], []);
    byRole.get(points.role[row]).push(row);
  }
  const roles = [...byRole].map(([role, rows]) => ({ name: '', role: ROLES[role], rows }));
  const inside = byRole.size > FEW_ROLES ? [] : drums.filter(({ role }) => byRole.has(role))
    .map(({ name, role, rows }) => ({ name, role: ROLES[role], rows: rows.filter(isInside) }))
    .filter(({ rows }) => rows.length);
  const order = (a, b) => b.rows.length - a.rows.length;
  return [...roles.sort(order), ...inside.sort(order)].slice(0, MAX_LISTED);
}
