// Send the user's marks, roles, tags and remarks to the server; undo there what was done last, and redo it:
// an act of the catalog or a step of the kit that is being built.

import { ROLES, ROLE_LABELS } from '../constants.js';
import { fetchJson } from './http.js';

const post = (path, body) =>
  fetchJson(`/api/${path}`, { method: 'POST', body: body && JSON.stringify(body) });

export const MARK_SIGNS = { '': '', master: '★ master', spare: '○ spare', 'no-good': '✕ no good' };

// acts: {undo, redo, list} as the server describes them, each act {id, text, when, undone, fixed};
// nDone: acts of this page in force; listeners take ([[id, role, mark], ...], text);
// followed: ids of the hits whose estimated roles followed the last role that was set.
// kit: the revision of the kit that is shown and the name of this tab, and what to do after a step of it.
export const annotations = { kit: { asked: () => '', moved: () => {} },
  acts: { undo: null, redo: null, list: [] }, nDone: 0, followed: [], listeners: new Set() };
let pending = Promise.resolve();

function enqueue(request) {            // one request after the other, in the order of the changes
  pending = pending.catch(() => {}).then(request);
  return pending;
}

// "; 12 more hits are now Side stick": the hits whose estimated roles followed a role that was set.
export function followedText(followed) {
  const counts = new Map();
  followed.forEach(([, role]) => counts.set(role, (counts.get(role) ?? 0) + 1));
  return [...counts].map(([role, n]) =>
    `; ${n} more ${n === 1 ? 'hit is' : 'hits are'} now ${ROLE_LABELS[ROLES[role]]}`).join('');
}

function accept({ changed, acts, followed = [] }, text) {
  annotations.acts = acts;
  annotations.followed = followed.map(([id]) => id);
  annotations.listeners.forEach(listener => listener(changed, text + followedText(followed)));
}

// change: any of {mark, role, add, drop, remark}; text describes it in the status line.
export const annotate = (ids, change, text) => enqueue(async () => {
  const answer = await post('annotate', { ids, ...change });
  annotations.nDone += 1;
  accept(answer, text);
  return answer.changed;
});

const move = (path, step, [prefix, nothing]) => enqueue(async () => {
  const answer = await post(path), isDone = Boolean(answer.text);
  if (isDone) annotations.nDone += step;
  if (answer.kit) annotations.kit.moved();
  accept(answer, [isDone ? `${prefix}: ${answer.text}` : nothing, ...answer.left].join('; '));
  return isDone;
});
// The last act, or the one with a number; false if there was nothing to do.
export const undoAct = id =>
  move(id ? `undo/${id}` : `undo${annotations.kit.asked()}`, -1, ['Undone', 'There is nothing to undo.']);
export const redoAct = () =>
  move(`redo${annotations.kit.asked()}`, 1, ['Redone', 'There is nothing to redo.']);

// Ctrl+Z, Ctrl+Shift+Z and Ctrl+Y: 'undo', 'redo' or null.
export function actOfKey(event) {
  if (!(event.ctrlKey || event.metaKey) || event.altKey) return null;
  const key = event.key.toLowerCase();
  return key === 'y' || (key === 'z' && event.shiftKey) ? 'redo' : key === 'z' ? 'undo' : null;
}
