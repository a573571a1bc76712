// Every command by name, with its key: “?” and ctrl+K open it, letters narrow it, Enter runs the first.

import { consumeKey, el } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';

// Keys that are no command: they act on what has the focus.
const KEYS = [['Go from hit to hit and play', 'arrow keys'], ['Play again', 'space'],
  ['Choose several hits', 'shift or ctrl with a press, ctrl+A'], ['Mark: master, spare, no good, none',
    'shift+M, S, X, N'], ['Play the answers', '1 to 0, Q to P'], ['Strike the kit', 'A S D F … Z X C …'],
  ['Draw around hits on the map', 'shift and drag']];

// commands: [[label, key, run], ...]
function build(box, { commands }) {
  const field = el('input', { type: 'search', 'aria-label': 'Command', placeholder: 'find a command',
    autocomplete: 'off' });
  const list = el('ul', { class: 'commands', 'aria-label': 'Commands' });
  const keys = el('dl', { class: 'keys' }, ...KEYS.map(([label, key]) =>
    el('div', {}, el('dt', {}, label), el('dd', {}, key))));
  const dialog = el('dialog', { 'aria-label': 'Commands and keys' }, field, list, el('h3', {}, 'Keys'), keys);
  box.replaceChildren(dialog);
  const run = command => { dialog.close(); command[2](); };
  const found = () => {
    const words = field.value.toLowerCase().split(/\s+/);
    return commands.filter(([label]) => words.every(word => label.toLowerCase().includes(word)));
  };
  const makeItem = command => el('li', {}, el('button', { type: 'button', class: 'choice',
    onclick: () => run(command) },
  el('span', { class: 'word' }, command[0]), ' ', el('kbd', {}, command[1])));
  const show = () => list.replaceChildren(...found().map(makeItem));
  field.addEventListener('input', show);
  dialog.addEventListener('keydown', event => {
    if (event.key === 'Enter' && event.target === field && found().length) {
      consumeKey(event);
      run(found()[0]);
    }
    if (event.key !== 'Escape') event.stopPropagation();   // letters strike nothing here
  });
  dialog.addEventListener('click', event => { if (event.target === dialog) dialog.close(); });
  box.open = () => {
    field.value = '';
    show();
    if (!dialog.open) dialog.showModal();
    field.focus();
  };
}

export const makeCommands = defineElement('page-commands', build);
