// Questions saved under a name: one press asks one again, also one that was drawn around on the map.

import { button, el } from '../shared/dom.js';
import { fetchJson } from '../shared/http.js';

const post = body => fetchJson('/api/questions', { method: 'POST', body: JSON.stringify(body) });

// address: {read(text) -> question, write(question) -> text}; notice(text)
export function makeSavedQuestions(state, { address, notice }) {
  const list = el('ul', { class: 'choices' });
  const field = el('input', { type: 'text', 'aria-label': 'Name of the search', autocomplete: 'off',
    placeholder: 'save it as …', maxLength: 80 });
  const save = el('button', { type: 'submit' }, 'Save');
  const form = el('form', { class: 'question-name', onsubmit: event => {
    event.preventDefault();
    const { question } = state;
    change({ op: 'save', name: field.value, text: address.write(question), drawn: question.drawn });
  } }, field, save);
  const box = el('section', { 'aria-label': 'Saved searches' }, list, form);
  let saved = [];

  const inOrder = ids => JSON.stringify(ids && [...ids].sort((a, b) => a - b));
  const isAsked = ({ text, drawn }) => state.isNarrowed() && address.write(state.question) === text
    && inOrder(drawn) === inOrder(state.question.drawn);
  const makeItem = question => el('li', { class: 'saved-question' },
    el('button', { type: 'button', class: 'choice', 'aria-pressed': String(isAsked(question)),
      onclick: () => state.change({ question: { ...address.read(question.text), drawn: question.drawn } }) },
    el('bdi', { class: 'word' }, question.name)),
    button('×', () => change({ op: 'delete', name: question.name }),
      { 'aria-label': `Delete the search ${question.name}`,
        title: 'Delete this search; the hits stay' }));
  const draw = () => {
    list.replaceChildren(...saved.map(makeItem));
    field.disabled = save.disabled = !state.isNarrowed() || saved.some(isAsked);   // nothing below moves
  };
  const change = async body => {
    try {
      saved = await post(body);
      field.value = '';
    } catch (error) { notice(error.message); }
    draw();
  };
  fetchJson('/api/questions').then(found => { saved = found; draw(); }).catch(() => {});
  return { box, draw };
}
