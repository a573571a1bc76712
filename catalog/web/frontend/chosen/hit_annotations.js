// The mark, the tags and the remark of the chosen hit; each change can be undone.

import { MAX_REMARK, MAX_TAG } from '../constants.js';
import { MARK_SIGNS, annotate } from '../shared/annotations.js';
import { button, consumeKey, el } from '../shared/dom.js';

export const MARK_KEYS = { M: 'master', S: 'spare', X: 'no-good', N: '' };   // with shift; plain letters play
const MARK_BUTTONS = { master: 'Master', spare: 'Spare', 'no-good': 'No good' };

export const cleanTag = text => text.trim().replace(/\s+/g, ' ');
export const annotateMark = (hit, mark) => annotate([hit.id], { mark }, `${hit.name}: ${mark || 'no mark'}`);

function makeTags(hit, change) {
  const tags = el('span', { class: 'tags' });
  const remove = tag => {
    hit.tags = hit.tags.filter(other => other !== tag);
    change({ drop: [tag] }, `tag ${tag} removed`);
    draw();
  };
  const makeTag = tag => el('span', { class: 'tag' }, el('bdi', {}, tag),
    button('×', () => remove(tag), { 'aria-label': `Remove the tag ${tag}` }));
  const draw = () => tags.replaceChildren(...hit.tags.map(makeTag));
  const field = el('input', { type: 'text', class: 'add', placeholder: 'add a tag', maxLength: MAX_TAG,
    'aria-label': 'Add a tag', onkeydown: event => {
      const tag = cleanTag(field.value);
      if (event.key !== 'Enter' || !tag) return;
      consumeKey(event);
      if (!hit.tags.includes(tag)) hit.tags.push(tag);
      change({ add: [tag] }, `tagged ${tag}`);
      field.value = '';
      draw();
    } });
  draw();
  return [tags, field];
}

function makeRemark(hit, change) {
  const field = el('input', { type: 'text', class: 'remark', placeholder: 'remark',
    maxLength: MAX_REMARK, value: hit.remark, 'aria-label': 'Remark', onchange: () => {
      hit.remark = field.value.trim();
      change({ remark: hit.remark }, 'remark changed');
    } });
  return field;
}

export function makeHitAnnotations(hit, onError) {   // `hit` is updated with each change
  const change = (values, text) => annotate([hit.id], values, `${hit.name}: ${text}`).catch(onError);
  const keyOf = mark => Object.keys(MARK_KEYS).find(key => MARK_KEYS[key] === mark);
  const marks = Object.entries(MARK_BUTTONS).map(([mark, label]) => el('button', {
    type: 'button', class: 'mark-button', 'data-mark': mark, 'aria-pressed': String(hit.mark === mark),
    title: `Shift+${keyOf(mark)}; again, or Shift+N, removes it`,
    onclick: () => annotateMark(hit, hit.mark === mark ? '' : mark).catch(onError),
  }, MARK_SIGNS[mark][0], ' ', label));
  const box = el('div', { class: 'tagging' }, ...marks, ...makeTags(hit, change), makeRemark(hit, change));
  const showMark = mark => {
    hit.mark = mark;
    marks.forEach(node => node.setAttribute('aria-pressed', String(node.dataset.mark === mark)));
  };
  return { box, showMark };
}
