// What the person thinks of the chosen hit: a mark, tags, a remark; all can be taken back.

import { MARK_SIGNS } from './hit_rows.js';
import { say, unsay } from '../shared/annotations.js';
import { el, ownKey } from '../shared/dom.js';

const MARK_KEYS = { K: 'keep', X: 'reject', L: 'star', N: '' };   // with shift; plain letters play
const MARK_WORDS = { keep: 'Keep', reject: 'Reject', star: 'Star' };

const sayMark = (row, mark) => say([row.id], { mark }, mark ? `${row.name}: ${mark}` : `${row.name}: no mark`);

function makeOpinion(row, trouble) {   // row changes with what is said
  const tell = (what, text) => say([row.id], what, text).catch(err => trouble(err.message));
  const keyOf = mark => Object.keys(MARK_KEYS).find(key => MARK_KEYS[key] === mark);
  const marks = Object.entries(MARK_WORDS).map(([mark, word]) => el('button', { type: 'button', class: 'opinion', 'data-mark': mark,
    'aria-pressed': String(row.mark === mark), title: `Shift+${keyOf(mark)}; again, or shift+N, takes it back`,
    onclick: () => sayMark(row, row.mark === mark ? '' : mark).catch(err => trouble(err.message)) }, MARK_SIGNS[mark][0], ' ', word));
  const tags = el('span', { class: 'tags' });
  const drawTags = () => tags.replaceChildren(...row.tags.map(tag => el('span', { class: 'tag' }, el('bdi', {}, tag),
    el('button', { type: 'button', 'aria-label': `Take the tag ${tag} away`, onclick: () => {
      row.tags = row.tags.filter(other => other !== tag);
      tell({ drop: [tag] }, `${row.name}: tag ${tag} taken away`); drawTags();
    } }, '×'))));
  const add = el('input', { type: 'text', class: 'add', placeholder: 'add a tag', maxLength: 60, 'aria-label': 'Add a tag', onkeydown: event => {
    const tag = add.value.trim().replace(/\s+/g, ' ');
    if (event.key !== 'Enter' || !tag) return;
    ownKey(event);
    if (!row.tags.includes(tag)) row.tags.push(tag);
    tell({ add: [tag] }, `${row.name}: tagged ${tag}`);
    add.value = ''; drawTags();
  } });
  const remark = el('input', { type: 'text', class: 'remark', placeholder: 'a remark of your own', maxLength: 2000, value: row.remark,
    'aria-label': 'Remark', onchange: () => { row.remark = remark.value.trim(); tell({ remark: row.remark }, `${row.name}: remark written`); } });
  drawTags();
  const box = el('div', { class: 'opinions' }, el('div', { class: 'deeds' }, ...marks,
    el('button', { type: 'button', class: 'back', title: 'Ctrl+Z takes back, ctrl+shift+Z says it again', onclick: () => unsay().catch(err => trouble(err.message)) }, 'Take back')),
  el('div', { class: 'tagging' }, tags, add, remark));
  const show = mark => {
    row.mark = mark;
    marks.forEach(one => one.setAttribute('aria-pressed', String(one.dataset.mark === mark)));
  };
  return { box, show };
}

export { MARK_KEYS, sayMark, makeOpinion };
