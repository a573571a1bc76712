// What is shown before many files are set aside at once, and the questions that are to be answered first.

import { button, el } from '../shared/dom.js';

const MAX_FOLDERS = 12, MB = 2 ** 20;

export const countFiles = n => (n === 1 ? '1 file' : `${n.toLocaleString('en')} files`);

export function countFolders(hits) {   // [[folder, files, bytes], ...], most files first
  const folders = new Map();
  for (const { folder, bytes } of hits) {
    const [n, size] = folders.get(folder) ?? [0, 0];
    folders.set(folder, [n + 1, size + bytes]);
  }
  return [...folders].map(([folder, [n, size]]) => [folder, n, size]).sort((a, b) => b[1] - a[1]);
}

const formatSize = bytes => `${(bytes / MB).toFixed(bytes < 10 * MB ? 1 : 0)} MB`;

// on: {go(), cancel()}
export function makeSummary(hits, on) {
  const folders = countFolders(hits), size = folders.reduce((sum, [, , bytes]) => sum + bytes, 0);
  const lines = folders.slice(0, MAX_FOLDERS).map(([folder, n, bytes]) => el('tr', {},
    el('th', { scope: 'row' }, el('bdi', {}, folder)), el('td', {}, countFiles(n)),
    el('td', {}, formatSize(bytes))));
  const more = folders.length - lines.length;
  return el('section', { class: 'summary', 'aria-label': 'Before files are set aside' },
    el('h2', {}, `Set ${countFiles(hits.length)} aside, ${formatSize(size)}?`),
    el('p', {}, 'They are moved into the catalog’s own folder. Nothing is deleted: the history puts each '
      + 'back to where it was, byte for byte. The kept file of each group stays.'),
    el('table', {}, ...lines), more > 0 ? el('p', { class: 'none' }, `and ${more} more folders`) : '',
    el('div', { class: 'actions' }, button(`Set ${countFiles(hits.length)} aside`, on.go, { class: 'main' }),
      button('Cancel', on.cancel)));
}

const ASKED = {
  kits: ['Saved kits need these. Without them such a kit cannot be exported:', 'Set these aside as well'],
  notes: ['What you noted goes to the file that stays, until these are put back:', ''],
  hide: ['The files of these stay where they are:', 'Hide them in the catalog; their files are not touched'],
};

// on: {go({kind: whether it was agreed to}), cancel()}
export function makeQuestions(questions, on) {
  const ticks = questions.map(() => el('input', { type: 'checkbox' }));
  const parts = questions.map(({ kind, lines }, k) => el('div', {}, el('p', {}, ASKED[kind][0]),
    el('ul', {}, ...lines.map(line => el('li', {}, el('bdi', {}, line)))),
    ASKED[kind][1] ? el('label', { class: 'tick' }, ticks[k], ASKED[kind][1]) : ''));
  const isAgreed = ({ kind }, k) => [kind, ticks[k].checked || !ASKED[kind][1]];
  const go = () => on.go(Object.fromEntries(questions.map(isAgreed)));
  return el('section', { class: 'summary', 'aria-label': 'Before files are set aside' },
    el('h2', {}, 'Before files are set aside'), ...parts,
    el('div', { class: 'actions' }, button('Set aside', go, { class: 'main' }), button('Cancel', on.cancel)));
}
