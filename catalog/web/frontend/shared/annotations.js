// Send the user's marks, roles, tags and remarks to the server; undo and redo them step by step.

import { fetchJson } from './http.js';

const post = (path, body) =>
  fetchJson(`/api/${path}`, { method: 'POST', body: body && JSON.stringify(body) });

export const MARK_SIGNS = { '': '', master: '★ master', spare: '○ spare', 'no-good': '✕ no good' };

// undo and redo hold {step, text}, newest last; listeners take the arguments ([[id, role, mark], ...], text).
export const annotations = { undo: [], redo: [], listeners: new Set() };
let pending = Promise.resolve();

function enqueue(request) {            // one request after the other, in the order of the changes
  pending = pending.catch(() => {}).then(request);
  return pending;
}

const notify = (changed, text) => annotations.listeners.forEach(listener => listener(changed, text));

// change: any of {mark, role, add, drop, remark}; text describes it in the status line.
export const annotate = (ids, change, text) => enqueue(async () => {
  const answer = await post('annotate', { ids, ...change });
  annotations.undo.push({ step: answer.step, text });
  annotations.redo.length = 0;
  notify(answer.changed, text);
  return answer.changed;
});

const revertLast = (from, to, prefix) => enqueue(async () => {
  const last = from.at(-1);
  if (!last) return;
  const answer = await post(`revert/${last.step}`);
  from.pop();
  to.push({ step: answer.step, text: last.text });
  notify(answer.changed, `${prefix}: ${last.text}`);
});
export const undoAnnotation = () => revertLast(annotations.undo, annotations.redo, 'Undone');
export const redoAnnotation = () => revertLast(annotations.redo, annotations.undo, 'Redone');
