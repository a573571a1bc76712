// Drums grouped from the hits that fit, and the places of their strokes from soft to hard.

const RANGES_DB = [12, 18, 24, 30, 36];   // of the scale; softer strokes stand at its left end
const FITTING = .9;                    // share of the drums whose strokes the scale is to hold
const GAP_DB = 5;               // between neighbors from which a strength is missing: common practice
const COLUMN_DB = 1.2;                 // strokes closer than this are round robins and stand above each other

// Return the drums of some rows: {key, role, session, drum, mics: Map(microphone -> rows)}, by role and name.
export function groupDrums(columns, rows) {
  const { role, session } = columns.points, drums = new Map();
  for (const row of rows) {
    if (!columns.drums[columns.drum[row]]) continue;
    const key = `${role[row]}|${session[row]}|${columns.drum[row]}`;
    if (!drums.has(key)) {
      drums.set(key, { key, role: role[row], session: session[row], drum: columns.drums[columns.drum[row]],
        mics: new Map(), n: 0 });
    }
    const drum = drums.get(key), microphone = columns.microphone[row];
    if (!drum.mics.has(microphone)) drum.mics.set(microphone, []);
    drum.mics.get(microphone).push(row);
    drum.n += 1;
  }
  return [...drums.values()].sort((a, b) => a.role - b.role || b.n - a.n || a.drum.localeCompare(b.drum));
}

// Return the range of a scale that holds most of the given drums, in dB below their hardest stroke.
export function chooseRange(drums, strengths) {
  const spread = rows => {
    const known = rows.map(row => strengths[row]).filter(Number.isFinite);
    return known.length ? Math.max(...known) - Math.min(...known) : 0;
  };
  const spreads = drums.filter(({ n }) => n > 1)
    .map(({ mics }) => Math.max(...[...mics.values()].map(spread))).sort((a, b) => a - b);
  const wanted = spreads[Math.floor(FITTING * (spreads.length - 1))] ?? 0;
  return RANGES_DB.find(range => range >= wanted) ?? RANGES_DB.at(-1);
}

// Lay rows out by strength: {strokes: [{row, db, x, level}], gaps: [{from, to, db}], most}. x lies within 0
// and 1; db is relative to the hardest; level counts the strokes below it in its column.
export function layOutStrokes(rows, strengths, rangeDb) {
  const known = rows.filter(row => Number.isFinite(strengths[row]));
  const hardest = Math.max(...known.map(row => strengths[row]));
  const place = db => 1 - Math.min(rangeDb, -db) / rangeDb;
  const sorted = known.map(row => ({ row, db: strengths[row] - hardest })).sort((a, b) => a.db - b.db);
  const strokes = [], gaps = [];
  let columnDb = -Infinity, level = 0;
  sorted.forEach(({ row, db }, k) => {
    if (db - columnDb > COLUMN_DB) { columnDb = db; level = 0; } else level += 1;
    strokes.push({ row, db, x: place(columnDb), level });
    const before = sorted[k - 1];
    if (before && db - before.db >= GAP_DB && db > -rangeDb) {
      gaps.push({ from: place(before.db), to: place(db), db: db - before.db });
    }
  });
  return { strokes, gaps, most: Math.max(0, ...strokes.map(stroke => stroke.level)) };
}
