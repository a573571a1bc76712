// All points of the map as columns, and a grid over them to find what lies near a place.

const GRID = 128;                      // cells along each side
const N_SCALES = 8;                    // numbers that a point may be colored by

function unpackPoints(body) {
  const n = new Uint32Array(body, 0, 1)[0];
  let at = 4;
  const take = (Kind, bytes) => { const part = body.slice(at, at + n * bytes); at += n * bytes; return new Kind(part); };
  const p = { n, ids: take(Int32Array, 4), stamps: take(Uint32Array, 4), x: take(Float32Array, 4),
    y: take(Float32Array, 4), match: take(Float32Array, 4), session: take(Uint16Array, 2),
    role: take(Uint8Array, 1), mark: take(Uint8Array, 1) };
  const told = new Uint8Array(body, at + N_SCALES * n), legend = JSON.parse(new TextDecoder().decode(told));
  p.scales = Object.fromEntries(legend.scales.map(name => [name, take(Uint8Array, 1)]));
  p.sessions = legend.sessions;
  p.regions = legend.regions;
  p.row = new Map();
  for (let k = 0; k < n; k++) p.row.set(p.ids[k], k);
  fillGrid(p);
  return p;
}

function fillGrid(p) {
  const cells = new Uint16Array(p.n), side = v => Math.max(0, Math.min(GRID - 1, v * GRID | 0));
  p.first = new Uint32Array(GRID * GRID + 1);
  for (let k = 0; k < p.n; k++) { cells[k] = side(p.x[k]) + GRID * side(p.y[k]); p.first[cells[k] + 1]++; }
  for (let c = 0; c < GRID * GRID; c++) p.first[c + 1] += p.first[c];
  const next = p.first.slice();
  p.order = new Uint32Array(p.n);
  for (let k = 0; k < p.n; k++) p.order[next[cells[k]]++] = k;
}

function rowsWithin(p, x0, x1, y0, y1, visit) {   // visit(row) for each point in the cells touched
  const lo = v => Math.max(0, Math.floor(v * GRID)), hi = v => Math.min(GRID - 1, Math.floor(v * GRID));
  for (let j = lo(y0); j <= hi(y1); j++) for (let i = lo(x0); i <= hi(x1); i++) {
    for (let s = p.first[i + GRID * j]; s < p.first[i + GRID * j + 1]; s++) visit(p.order[s]);
  }
}

// Rows nearest first; x, y on the map, sx and sy its pixels per unit, reach in pixels.
function rowsNear(p, { x, y, sx, sy, reach, count, shown }) {
  const found = [];
  rowsWithin(p, x - reach / sx, x + reach / sx, y - reach / sy, y + reach / sy, k => {
    if (!shown(k)) return;
    const d = Math.hypot((p.x[k] - x) * sx, (p.y[k] - y) * sy);
    if (d <= reach) found.push([d, k]);
  });
  return found.sort((a, b) => a[0] - b[0]).slice(0, count).map(pair => pair[1]);
}

// The nearest row that lies roughly in the direction (ux, uy), or -1.
function rowToward(p, { x, y, sx, sy, from, shown }, [ux, uy]) {
  let best = -1, least = Infinity;
  for (let k = 0; k < p.n; k++) {
    if (k === from || !shown(k)) continue;
    const dx = (p.x[k] - x) * sx, dy = (p.y[k] - y) * sy, square = dx * dx + dy * dy;
    const along = dx * ux + dy * uy;   // in pixels; more than half of the way lies that way
    if (along <= 0 || 4 * along * along <= square) continue;
    const far = square * Math.sqrt(square) / (along * along);
    if (far < least) { least = far; best = k; }
  }
  return best;
}

// Rows inside a closed line [[x, y], ...], by the even-odd rule.
function rowsInside(p, line, shown) {
  const xs = line.map(c => c[0]), ys = line.map(c => c[1]), found = [];
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  rowsWithin(p, x0, x1, y0, y1, k => {
    const x = p.x[k], y = p.y[k];
    if (x < x0 || x > x1 || y < y0 || y > y1 || !shown(k)) return;
    let inside = false;
    for (let i = 0, j = line.length - 1; i < line.length; j = i++) {
      const [ax, ay] = line[i], [bx, by] = line[j];
      if (ay > y !== by > y && x < (bx - ax) * (y - ay) / (by - ay) + ax) inside = !inside;
    }
    if (inside) found.push(k);
  });
  return found;
}

const WALK_UP_TO = 3000;               // beyond it the walk would take longer than a blink

// An order to hear rows in: along a scale, else each beside the one before it.
function orderToHear(p, rows, scale) {
  if (scale) return [...rows].sort((a, b) => scale[a] - scale[b] || a - b);
  const left = [...rows].sort((a, b) => p.x[a] - p.x[b]);
  if (left.length > WALK_UP_TO) return left;
  const walk = left.splice(0, 1);
  while (left.length) {
    const k = walk[walk.length - 1];
    let best = 0, least = Infinity;
    for (let i = 0; i < left.length; i++) {
      const dx = p.x[left[i]] - p.x[k], dy = p.y[left[i]] - p.y[k], d = dx * dx + dy * dy;
      if (d < least) { least = d; best = i; }
    }
    walk.push(left[best]);
    left[best] = left[left.length - 1];
    left.pop();
  }
  return walk;
}

export { unpackPoints, rowsNear, rowToward, rowsInside, orderToHear };
