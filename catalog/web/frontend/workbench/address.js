// What the page shows as its address, so that it can be bookmarked, and so that Back goes to the part before.

import { PARTS } from '../constants.js';
import { isColor } from '../find/map_pane.js';
import { emptyQuestion } from '../find/question.js';

const LISTS = ['roles', 'sessions', 'marks', 'tags'];
const UNMARKED = 'none';               // in the address, of hits without a mark
const WRITE_MS = 250;                  // browsers limit how often the address may change

const readNumber = text => (text === '' || !Number.isFinite(Number(text)) ? null : Number(text));

export function readAddress(search) {  // {part, chosen, color, question}
  const values = new URLSearchParams(search), question = emptyQuestion();
  question.words = values.get('q') ?? '';
  for (const name of LISTS) question[name] = values.getAll(name).filter(Boolean);
  question.marks = question.marks.map(mark => (mark === UNMARKED ? '' : mark));
  question.unsure = values.get('unsure') === '1';
  for (const [key, text] of values) {
    const [, name, end] = key.match(/^(.+)_(from|to)$/) ?? [];
    if (!name) continue;
    question.ranges[name] ??= [null, null];
    question.ranges[name][end === 'to' ? 1 : 0] = readNumber(text);
  }
  const hit = values.get('hit') ?? '', color = values.get('color');
  return { part: values.get('part') in PARTS ? values.get('part') : 'find', question,
    chosen: /^\d{1,9}$/.test(hit) ? Number(hit) : null, color: isColor(color) ? color : 'role' };
}

function writeQuestion(values, question) {
  if (question.words.trim()) values.set('q', question.words.trim());
  for (const name of LISTS) question[name].forEach(word => values.append(name, word || UNMARKED));
  for (const [name, [low, high]] of Object.entries(question.ranges)) {
    if (low !== null) values.set(`${name}_from`, low);
    if (high !== null) values.set(`${name}_to`, high);
  }
  if (question.unsure) values.set('unsure', '1');
}

// A question as text and back; what was drawn around is not in it.
export const questionText = {
  read: text => readAddress(text).question,
  write: question => {
    const values = new URLSearchParams();
    writeQuestion(values, question);
    return values.toString();
  },
};

export function writeAddress({ part, question, chosen, color }) {
  const values = new URLSearchParams();
  if (part !== 'find') values.set('part', part);
  writeQuestion(values, question);
  if (color !== 'role') values.set('color', color);
  if (chosen !== null) values.set('hit', chosen);
  const text = values.toString();
  return text ? `?${text}` : location.pathname;
}

// Keep the address and the state equal; only another part adds a step to go back to.
export function followAddress(state) {
  let timer = 0;
  const replace = () => history.replaceState(history.state, '', writeAddress(state));
  const unsubscribe = state.subscribe(['part', 'question', 'chosen', 'color'], changed => {
    clearTimeout(timer);
    if (changed.has('part') && !changed.has('fromAddress')) history.pushState(null, '', writeAddress(state));
    else timer = setTimeout(replace, WRITE_MS);
  });
  const goBack = () => state.change({ part: readAddress(location.search).part, fromAddress: true });
  window.addEventListener('popstate', goBack);
  return () => { clearTimeout(timer); unsubscribe(); window.removeEventListener('popstate', goBack); };
}
