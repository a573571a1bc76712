// The state of the page in one place: what is shown, asked for, chosen and pointed at.

import { answer, emptyQuestion, isEmpty, orderRows } from '../find/question.js';

export const LAYOUTS = ['both', 'list', 'map', 'drums'];
const LAYOUT_KEY = 'hits.layout';

function storedLayout() {
  try {
    const layout = localStorage.getItem(LAYOUT_KEY);
    return LAYOUTS.includes(layout) ? layout : 'both';
  } catch { return 'both'; }
}

// columns: the hits; question: what is asked for; found: the server's mask of it, or null; mask, rows,
// nFit, counts: the answer; sort: of the list; chosen: the id of the chosen hit; picked: ids of several;
// pointed: the row below the pointer, or -1; color: what the color of a mark shows; part: of the page;
// pane: the one that a narrow screen shows, "ask", "hits" or "chosen"; wanted: the slot that a hit is
// looked for, with the question before it, or null.
export function makeState() {
  const state = { columns: null, question: emptyQuestion(), found: null, noGood: false,
    mask: null, rows: new Uint32Array(),
    nFit: 0, counts: null, sort: { by: '', down: false }, chosen: null, picked: new Set(), pointed: -1,
    wanted: null, layout: storedLayout(), color: 'role', part: 'find', pane: 'hits', notice: null };
  const listeners = new Set();

  const compute = () => {
    if (!state.columns) return;
    Object.assign(state, answer(state.columns, state.question, state));
    state.rows = orderRows(state.columns, state.mask, state.sort);
  };
  // Change some values; listeners get the names of all that changed.
  state.change = changes => {
    Object.assign(state, changes);
    const names = new Set(Object.keys(changes));
    if (['columns', 'question', 'found', 'sort'].some(name => names.has(name))) {
      compute();
      names.add('rows');
    }
    if (names.has('layout')) {
      try { localStorage.setItem(LAYOUT_KEY, state.layout); } catch { /* a private window keeps nothing */ }
    }
    listeners.forEach(listener => listener(names));
  };
  state.subscribe = (names, listener) => {   // names: of the values that the listener shows
    const wrapped = changed => { if (names.some(name => changed.has(name))) listener(changed); };
    listeners.add(wrapped);
    return () => listeners.delete(wrapped);
  };
  state.ask = changes => state.change({ question: { ...state.question, ...changes } });
  state.toggle = (kind, word) => {     // kind: "roles", "sessions", "marks" or "tags"
    const words = state.question[kind];
    state.ask({ [kind]: words.includes(word) ? words.filter(other => other !== word) : [...words, word] });
  };
  state.lookFor = (slot, question) => state.change({ part: 'find', pane: 'hits', question,
    wanted: { slot, before: state.wanted?.before ?? state.question } });
  state.endLook = () => {              // the question before is asked again
    if (state.wanted) state.change({ question: state.wanted.before, wanted: null });
  };
  state.isNarrowed = () => !isEmpty(state.question);
  state.shownMask = () => (state.columns && state.nFit < state.columns.n ? state.mask : null);
  state.hitOf = id => {
    const row = state.columns?.rowOf(id) ?? -1;
    return row < 0 ? null : state.columns.hit(row);
  };
  return state;
}
