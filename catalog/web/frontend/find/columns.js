// The hits as columns in the order of the map's points: what the list shows, and the order of its rows.

import { MARKS, ROLES, ROLE_LABELS } from '../constants.js';
import { SHARED_PART, lastParts } from './sessions.js';

const MAX_ROWS = 2 ** 20;              // a key of 32 bits and a row of 20 fit exactly into a double
const DIGITS = 6;                      // to which numbers in names are filled, so that 2 precedes 10
const collator = new Intl.Collator('en', { sensitivity: 'base' });

// Split a body: float32 length in s, float32 brightness in Hz, float32 strength in LKFS, uint32 drum,
// uint16 microphone, JSON.
function unpackRows(body, n) {
  let offset = 0;
  const take = Type => {
    const column = new Type(body.slice(offset, offset + n * Type.BYTES_PER_ELEMENT));
    offset += column.byteLength;
    return column;
  };
  const columns = { length: take(Float32Array), brightness: take(Float32Array),
    strength: take(Float32Array), drum: take(Uint32Array),
    microphone: take(Uint16Array) };
  const { names, ...words } = JSON.parse(new TextDecoder().decode(new Uint8Array(body, offset)));
  return { ...columns, ...words, names: n ? names.split('\n') : [] };
}

// Return the rows in rising order of their uint32 keys; equal keys keep their order.
export function orderByKeys(keys) {
  const packed = Float64Array.from(keys, (key, row) => key * MAX_ROWS + row).sort();
  return Uint32Array.from(packed, value => value % MAX_ROWS);
}

const floatKeys = values => new Uint32Array(values.buffer, values.byteOffset, values.length);   // from 0 up

function rankWords(words) {            // the place of each word in the alphabet
  const ranks = new Uint32Array(words.length);
  [...words.keys()].sort((a, b) => collator.compare(words[a], words[b]))
    .forEach((k, place) => { ranks[k] = place; });
  return ranks;
}

function rankNames(names) {
  const keys = names.map(name => name.toLowerCase().replace(/\d+/g, digits => digits.padStart(DIGITS, '0')));
  const ranks = new Uint32Array(names.length);
  [...keys.keys()].sort((a, b) => (keys[a] < keys[b] ? -1 : keys[a] > keys[b] ? 1 : a - b))
    .forEach((row, place) => { ranks[row] = place; });
  return ranks;
}

// points: see points.js. The result has a row for each point.
export function makeColumns(points, body) {
  const rows = unpackRows(body, points.n), { n, role, session, mark } = points;
  const sessionLabels = lastParts(points.sessions), orders = new Map();
  const byWord = (column, words) => {
    const ranks = rankWords(words);
    return Uint32Array.from(column, k => ranks[k]);
  };
  const keysOf = {
    name: () => rankNames(rows.names), role: () => byWord(role, ROLES.map(name => ROLE_LABELS[name])),
    session: () => byWord(session, sessionLabels), drum: () => byWord(rows.drum, rows.drums),
    length: () => floatKeys(rows.length), brightness: () => floatKeys(rows.brightness),
    mark: () => Uint32Array.from(mark, k => (k ? k : MARKS.length)),
  };
  const columns = { n, points, sessionLabels, ...rows };
  columns.order = by => {              // rows by a column, made once
    if (!orders.has(by)) orders.set(by, orderByKeys(keysOf[by]()));
    return orders.get(by);
  };
  columns.forgetOrder = by => orders.delete(by);   // its values have changed
  columns.hit = row => ({ id: points.ids[row], stamp: points.stamps[row], match_db: points.matchDb[row],
    name: rows.names[row], role: ROLES[role[row]], session: points.sessions[session[row]],
    mark: MARKS[mark[row]] });
  columns.rowOf = id => points.rowOf.get(id) ?? -1;
  columns.sessionLabel = row => sessionLabels[session[row]] || SHARED_PART;
  return columns;
}
