// A grid over the points, and searches: near a place, toward a direction, inside a drawn line.

const SIDE = 128;                      // cells along each side
const MAX_CHAINED = 3000;              // points; more would take longer than a blink to chain

const cellOf = v => Math.max(0, Math.min(SIDE - 1, v * SIDE | 0));

// rows holds the rows cell by cell; those of cell c are rows[first[c]] to rows[first[c + 1] - 1].
export function indexPoints(x, y) {
  const n = x.length, cells = new Uint16Array(n), first = new Uint32Array(SIDE * SIDE + 1);
  for (let k = 0; k < n; k++) {
    cells[k] = cellOf(x[k]) + SIDE * cellOf(y[k]);
    first[cells[k] + 1]++;
  }
  for (let c = 0; c < SIDE * SIDE; c++) first[c + 1] += first[c];
  const next = first.slice(), rows = new Uint32Array(n);
  for (let k = 0; k < n; k++) rows[next[cells[k]]++] = k;
  return { first, rows };
}

function visitCells({ first, rows }, [x0, x1, y0, y1], visit) {   // each row in the cells touched
  const low = v => Math.max(0, Math.floor(v * SIDE)), high = v => Math.min(SIDE - 1, Math.floor(v * SIDE));
  for (let j = low(y0); j <= high(y1); j++) {
    for (let i = low(x0); i <= high(x1); i++) {
      for (let s = first[i + SIDE * j]; s < first[i + SIDE * j + 1]; s++) visit(rows[s]);
    }
  }
}

// Rows within `reach` pixels of (x, y), nearest first. sx, sy: pixels per unit of the map.
export function rowsNear(points, { x, y, sx, sy, reach, count, shown }) {
  const found = [], bounds = [x - reach / sx, x + reach / sx, y - reach / sy, y + reach / sy];
  visitCells(points.index, bounds, row => {
    if (!shown(row)) return;
    const distance = Math.hypot((points.x[row] - x) * sx, (points.y[row] - y) * sy);
    if (distance <= reach) found.push([distance, row]);
  });
  return found.sort((a, b) => a[0] - b[0]).slice(0, count).map(([, row]) => row);
}

// The nearest row that lies within 60 degrees of the direction (ux, uy), or -1. Rows off the axis count
// as farther, by the square of the cosine.
export function rowToward(points, { x, y, sx, sy, from, shown }, [ux, uy]) {
  let best = -1, least = Infinity;
  for (let row = 0; row < points.n; row++) {
    if (row === from || !shown(row)) continue;
    const dx = (points.x[row] - x) * sx, dy = (points.y[row] - y) * sy;
    const square = dx * dx + dy * dy, along = dx * ux + dy * uy;
    if (along <= 0 || 4 * along * along <= square) continue;
    const cost = square * Math.sqrt(square) / (along * along);
    if (cost < least) { least = cost; best = row; }
  }
  return best;
}

export function isInside(line, x, y) { // a closed line [[x, y], ...], by the even-odd rule
  let inside = false;
  for (let i = 0, j = line.length - 1; i < line.length; j = i++) {
    const [ax, ay] = line[i], [bx, by] = line[j];
    if (ay > y !== by > y && x < (bx - ax) * (y - ay) / (by - ay) + ax) inside = !inside;
  }
  return inside;
}

export function boundsOf(corners) {    // [x0, x1, y0, y1]
  const bounds = [Infinity, -Infinity, Infinity, -Infinity];
  for (const [x, y] of corners) {
    bounds[0] = Math.min(bounds[0], x); bounds[1] = Math.max(bounds[1], x);
    bounds[2] = Math.min(bounds[2], y); bounds[3] = Math.max(bounds[3], y);
  }
  return bounds;
}

export function rowsInside(points, line, shown) {
  const found = [];
  visitCells(points.index, boundsOf(line), row => {
    if (shown(row) && isInside(line, points.x[row], points.y[row])) found.push(row);
  });
  return found;
}

// The order in which rows are played: along a scale, else each beside the one before it.
export function playingOrder(points, rows, scale) {
  if (scale) return [...rows].sort((a, b) => scale[a] - scale[b] || a - b);
  const left = [...rows].sort((a, b) => points.x[a] - points.x[b]);
  if (left.length > MAX_CHAINED) return left;
  const chain = left.splice(0, 1);
  while (left.length) {
    const nearest = nearestTo(points, chain.at(-1), left);
    chain.push(left[nearest]);
    left[nearest] = left.at(-1);
    left.pop();
  }
  return chain;
}

function nearestTo(points, row, candidates) {   // position in `candidates`
  let best = 0, least = Infinity;
  for (let i = 0; i < candidates.length; i++) {
    const dx = points.x[candidates[i]] - points.x[row], dy = points.y[candidates[i]] - points.y[row];
    if (dx * dx + dy * dy < least) { least = dx * dx + dy * dy; best = i; }
  }
  return best;
}
