// What is asked for: words and numbers answered by the server, roles, sessions and marks answered here.

import { MARKS, ROLES } from '../constants.js';
import { isShown } from '../map/points.js';

const NO_GOOD = 'no-good';             // hits so marked fit only if that mark is asked for

export const emptyQuestion = () =>
  ({ words: '', roles: [], sessions: [], marks: [], tags: [], ranges: {}, unsure: false, drawn: null });

// Whether the server must answer a part of it.
export const needsServer = ({ words, tags, ranges, unsure }) =>
  Boolean(words.trim() || tags.length || Object.keys(ranges).length || unsure);

export const isEmpty = question =>
  !needsServer(question) && !question.drawn && ['roles', 'sessions', 'marks'].every(k => !question[k].length);

function allow(all, wanted) {          // 1 for each of `all` that is wanted; nothing wanted allows all
  return Uint8Array.from(all, word => (!wanted.length || wanted.includes(word) ? 1 : 0));
}

// Return the mask of the rows that fit, one bit each, highest first, their number, and the number of rows
// for each role, session and mark if the other conditions are kept. found: the
// server's mask, or null; noGood: whether hits marked no good fit too.
export function answer(columns, question, { found, noGood }) {
  const { n, points } = columns, { role, session, mark, ids, sessions } = points;
  const roles = allow(ROLES, question.roles), marks = allow(MARKS, question.marks);
  if (!question.marks.length && !noGood) marks[MARKS.indexOf(NO_GOOD)] = 0;
  const places = allow(sessions, question.sessions), drawn = question.drawn && new Set(question.drawn);
  const counts = { roles: new Uint32Array(ROLES.length), sessions: new Uint32Array(sessions.length),
    marks: new Uint32Array(MARKS.length) };
  const mask = new Uint8Array((n + 7) >> 3);
  let nFit = 0;
  for (let row = 0; row < n; row++) {
    if ((found && !isShown(found, row)) || (drawn && !drawn.has(ids[row]))) continue;
    const r = roles[role[row]], s = places[session[row]], m = marks[mark[row]];
    if (s && m) counts.roles[role[row]] += 1;
    if (r && m) counts.sessions[session[row]] += 1;
    if (r && s) counts.marks[mark[row]] += 1;
    if (!(r && s && m)) continue;
    mask[row >> 3] |= 128 >> (row & 7);
    nFit += 1;
  }
  return { mask, nFit, counts };
}

// Return the rows of a mask in the order of a column, or in the order of the catalog.
export function orderRows(columns, mask, { by, down }) {
  const rows = new Uint32Array(columns.n), order = by ? columns.order(by) : null;
  let nRows = 0;
  for (let k = 0; k < columns.n; k++) {
    const at = down ? columns.n - 1 - k : k, row = order ? order[at] : at;
    if (isShown(mask, row)) rows[nRows++] = row;
  }
  return rows.subarray(0, nRows);
}
