// All points of the map as columns, unpacked from one download (see payloads.py for its layout).

import { SCALES } from '../constants.js';
import { indexPoints } from './spatial_index.js';

export function unpackPoints(body) {
  const n = new Uint32Array(body, 0, 1)[0];
  let offset = 4;
  const take = Type => {
    const column = new Type(body.slice(offset, offset + n * Type.BYTES_PER_ELEMENT));
    offset += column.byteLength;
    return column;
  };
  const points = {
    n, ids: take(Int32Array), stamps: take(Uint32Array), x: take(Float32Array), y: take(Float32Array),
    matchDb: take(Float32Array), session: take(Uint16Array), role: take(Uint8Array), mark: take(Uint8Array),
    scales: Object.fromEntries(SCALES.map(name => [name, take(Uint8Array)])),
  };
  const { sessions, regions } = JSON.parse(new TextDecoder().decode(new Uint8Array(body, offset)));
  const rowOf = new Map();             // hit id -> row
  points.ids.forEach((id, row) => rowOf.set(id, row));
  return Object.assign(points, { sessions, regions, rowOf, index: indexPoints(points.x, points.y) });
}

// Bit `row` of a mask, first bit highest; no mask shows every point.
export const isShown = (mask, row) => !mask || (mask[row >> 3] & (128 >> (row & 7))) !== 0;
