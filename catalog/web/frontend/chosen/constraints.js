// "Like this, but": words that narrow the similar hits, in pairs of opposites, one of a pair at most.

import { CONSTRAINT_PAIRS } from '../constants.js';
import { button, el } from '../shared/dom.js';

export function makeConstraints(onChange) {
  const constraints = { words: new Set() };
  const toggle = word => {
    const wasOn = constraints.words.has(word);
    CONSTRAINT_PAIRS.find(pair => pair.includes(word)).forEach(other => constraints.words.delete(other));
    if (!wasOn) constraints.words.add(word);
    show();
    onChange();
  };
  const makeButton = word => button(word, () => toggle(word),
    { class: 'constraint', 'aria-pressed': 'false', 'data-word': word });
  const buttons = CONSTRAINT_PAIRS.map(pair => pair.map(makeButton));
  const show = () => buttons.flat().forEach(node =>
    node.setAttribute('aria-pressed', String(constraints.words.has(node.dataset.word))));
  constraints.box = el('div', { class: 'constraints', role: 'group', 'aria-label': 'Like this, but' },
    el('span', {}, 'Like this, but'), ...buttons.map(pair => el('span', { class: 'together' }, ...pair)));
  constraints.clear = () => { constraints.words.clear(); show(); };
  return constraints;
}
