// What is asked for: words, roles, sessions, marks, tags and numbers, each with how many hits fit.

import { MARKS, NUMBERS, ROLES, ROLE_LABELS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { MARK_SIGNS } from '../shared/annotations.js';
import { button, el, options } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { makeSavedQuestions } from './saved_questions.js';
import { SHARED_PART } from './sessions.js';
import { emptyQuestion } from './question.js';

const MISNAMED = 'misnamed:yes';   // a term of the search field
const WORDS_MS = 120;                  // after the last letter the words are asked for
const count = n => el('b', {}, n.toLocaleString('en'));

function makeChoice(state, kind, word, parts, props = {}) {   // a button that narrows to one word
  const isOn = state.question[kind].includes(word);
  return el('li', {}, el('button', { type: 'button', class: 'choice', 'aria-pressed': String(isOn),
    'data-word': word, onclick: () => state.toggle(kind, word), ...props }, ...parts));
}

function makeRoles(state) {
  const { counts, question } = state;
  const shown = [...ROLES.keys()].filter(k => counts.roles[k] || question.roles.includes(ROLES[k]));
  return shown.sort((a, b) => counts.roles[b] - counts.roles[a]).map(k =>
    makeChoice(state, 'roles', ROLES[k], [markIcon(ROLES[k]),
      el('span', { class: 'word' }, ROLE_LABELS[ROLES[k]]), count(counts.roles[k])]));
}

// preview(session or null): shows it on the map while the pointer is on its name
function makeSessions(state, preview) {
  const { counts, columns } = state, names = columns.points.sessions;
  const order = [...names.keys()].sort((a, b) => counts.sessions[b] - counts.sessions[a] || a - b);
  return order.filter(k => counts.sessions[k] || state.question.sessions.includes(names[k])).map(k =>
    makeChoice(state, 'sessions', names[k],
      [el('bdi', { class: 'word' }, columns.sessionLabels[k] || SHARED_PART), count(counts.sessions[k])],
      { title: names[k], onpointerenter: () => preview(k), onpointerleave: () => preview(null) }));
}

const makeMarks = state => MARKS.map((mark, k) => [mark, k]).filter(([mark, k]) =>
  state.counts.marks[k] && (mark || state.question.marks.length || state.counts.marks.some((n, j) => j && n)))
  .map(([mark, k]) => makeChoice(state, 'marks', mark,
    [el('span', { class: 'word' }, MARK_SIGNS[mark] || 'no mark'), count(state.counts.marks[k])]));

const makeTags = state => Object.entries(state.columns.tags).map(([tag, rows]) =>
  makeChoice(state, 'tags', tag, [el('bdi', { class: 'word' }, tag), count(rows.length)]));

function makeNumbers(state) {          // a range of one measured number at a time
  const name = el('select', { 'aria-label': 'Number' },
    ...options(Object.fromEntries(Object.entries(NUMBERS).map(([key, [label]]) => [key, label]))));
  const [low, high] = ['from', 'to'].map((word, k) => el('input', { type: 'number', step: 'any',
    placeholder: word, 'aria-label': `Number ${word}`, onchange: event => {
      const ranges = { ...state.question.ranges }, ends = [...ranges[name.value] ?? [null, null]];
      ends[k] = event.target.value === '' ? null : Number(event.target.value);
      if (ends[0] === null && ends[1] === null) delete ranges[name.value]; else ranges[name.value] = ends;
      state.ask({ ranges });
    } }));
  const show = () => {
    const [from, to] = state.question.ranges[name.value] ?? [null, null];
    [low.value, high.value] = [from ?? '', to ?? ''];
    low.placeholder = `from, ${NUMBERS[name.value][1] || 'no unit'}`;
  };
  name.addEventListener('change', show);
  const set = el('ul', { class: 'choices' });
  const draw = () => {
    const entries = Object.entries(state.question.ranges);
    set.replaceChildren(...entries.map(([key, ends]) => el('li', {}, button(
      `${NUMBERS[key][0]}: ${ends[0] ?? '…'} to ${ends[1] ?? '…'} ${NUMBERS[key][1]} ×`, () => {
        const { [key]: _, ...ranges } = state.question.ranges;
        state.ask({ ranges });
      }, { class: 'choice' }))));
    if (entries.length && !(name.value in state.question.ranges)) name.value = entries[0][0];
    show();
  };
  return { box: el('div', { class: 'numbers-asked' }, name, low, high), set, draw };
}

function build(box, { state, preview, address, notice }) {
  const words = el('input', { type: 'search', 'aria-label': 'Find by words', autocomplete: 'off',
    placeholder: 'words or conditions',
    title: 'Words of name, session, drum, notes and tags, and conditions such as role:snare, length:0.5..2s, '
      + 'brightness:2k.., recorded:2024.., like:42; the guide “search” lists all', spellcheck: false });
  const status = el('p', { class: 'found', role: 'status' });
  const clear = button('Clear', () => { state.ask(emptyQuestion()); }, { title: 'Ask for all hits again' });
  const numbers = makeNumbers(state);
  const lists = Object.fromEntries(['roles', 'sessions', 'marks', 'tags'].map(kind =>
    [kind, el('ul', { class: 'choices' })]));
  const section = (label, ...parts) => el('section', { 'aria-label': label }, el('h3', {}, label), ...parts);
  const saved = makeSavedQuestions(state, { address, notice });
  const tagged = section('Tags', lists.tags);
  const unsure = el('input', { type: 'checkbox', onchange: () => state.ask({ unsure: unsure.checked }) });
  const misnamed = el('input', { type: 'checkbox', onchange: () => {
    const rest = state.question.words.replace(MISNAMED, '').trim();
    state.ask({ words: misnamed.checked ? `${rest} ${MISNAMED}`.trim() : rest });
  } });
  const drawn = button('inside the drawn line ×', () => state.ask({ drawn: null }), { class: 'choice' });
  box.setAttribute('role', 'search');
  box.setAttribute('aria-label', 'Find');
  box.replaceChildren(
    el('div', { class: 'words' }, words), el('div', { class: 'found-line' }, status, clear), drawn, saved.box,
    section('Roles', lists.roles, el('label', { class: 'tick' }, unsure, 'uncertain role only'),
      el('label', { class: 'tick' }, misnamed, 'name contradicts sound')),
    section('Sessions', lists.sessions), section('Marks', lists.marks), tagged,
    el('details', {}, el('summary', {}, 'Numbers'), numbers.set, numbers.box));

  let timer = 0;
  words.addEventListener('input', () => {
    clearTimeout(timer);
    timer = setTimeout(() => state.ask({ words: words.value }), WORDS_MS);
  });
  words.addEventListener('keydown', event => {
    if (event.key === 'Enter') { clearTimeout(timer); state.ask({ words: words.value }); }
    if (event.key === 'ArrowDown') { event.preventDefault(); state.focusHits?.(); }
  });
  const fill = (list, items) => {      // the button in use keeps the focus
    const word = box.getRootNode().activeElement?.dataset?.word;
    const hadFocus = list.contains(box.getRootNode().activeElement);
    list.replaceChildren(...items);
    if (hadFocus) [...list.querySelectorAll('button')].find(node => node.dataset.word === word)?.focus();
  };
  const draw = () => {
    box.classList.toggle('waiting', !state.columns);   // nothing that is seen moves when the hits come
    if (!state.columns) return;
    const { n } = state.columns, isAll = !state.isNarrowed();
    const total = n.toLocaleString('en');
    status.textContent = isAll ? `${total} hits` : `${state.nFit.toLocaleString('en')} of ${total} hits`;
    clear.disabled = isAll;
    drawn.hidden = !state.question.drawn;
    unsure.checked = state.question.unsure;
    misnamed.checked = state.question.words.includes(MISNAMED);
    if (words.value.trim() !== state.question.words.trim() && box.getRootNode().activeElement !== words) {
      words.value = state.question.words;
    }
    fill(lists.roles, makeRoles(state));
    fill(lists.sessions, makeSessions(state, preview));
    fill(lists.marks, makeMarks(state));
    fill(lists.tags, makeTags(state));
    tagged.hidden = !Object.keys(state.columns.tags).length;
    numbers.draw();
    saved.draw();
  };
  box.focusWords = () => { words.focus(); words.select(); };
  const unsubscribe = state.subscribe(['rows'], draw);
  draw();
  return () => { clearTimeout(timer); unsubscribe(); };
}

export const makeFindPane = defineElement('hit-search', build);
