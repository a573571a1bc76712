// Like this, but: pairs of opposite wishes, one of each pair at most.

import { el } from '../shared/dom.js';

const WISHES = [['shorter', 'longer'], ['darker', 'brighter'], ['lower', 'higher'], ['tighter', null], ['noisier', null], ['softer', 'harder']];

function makeWishes(changed) {         // changed(list of words)
  const w = { words: new Set() };
  const button = word => el('button', { type: 'button', class: 'wish', 'aria-pressed': 'false', 'data-wish': word, onclick: () => {
    const pair = WISHES.find(words => words.includes(word));
    if (w.words.delete(word)) { /* it was asked for, and is no more */ } else { pair.forEach(other => w.words.delete(other)); w.words.add(word); }
    show();
    changed([...w.words]);
  } }, word);
  w.box = el('div', { class: 'wishes', role: 'group', 'aria-label': 'Like this, but' }, el('span', {}, 'Like this, but'),
    ...WISHES.map(pair => el('span', { class: 'together' }, ...pair.filter(Boolean).map(button))));
  const show = () => w.box.querySelectorAll('.wish').forEach(one => one.setAttribute('aria-pressed', String(w.words.has(one.dataset.wish))));
  w.clear = () => { w.words.clear(); show(); };
  return w;
}

export { makeWishes };
