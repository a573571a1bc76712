// Saved kits: the name field of the present one, and a list to open, compare, rename and delete.

import { button, el } from '../shared/dom.js';
import { fetchJson } from '../shared/http.js';
import { kitSession } from '../shared/kit_session.js';

const post = (path, body) => fetchJson(path, { method: 'POST', body: JSON.stringify(body) });

export function makeSavedKits({ notice }) {
  const box = el('section', { class: 'kit-panel saved-kits', 'aria-label': 'Saved kits' });
  const list = { kits: [], error: '' };
  let opened = '', details = null, namedFor = null;

  const act = async body => {
    try {
      const answer = await post('/api/kits', body);
      Object.assign(list, answer);
      notice(answer.text);
    } catch (error) { notice(error.message); }
    await kitSession.reload();
    drawList();
  };
  const field = el('input', { type: 'text', 'aria-label': 'Name of the kit', placeholder: 'name of the kit',
    autocomplete: 'off' });
  const save = el('button', { type: 'submit' }, 'Save');
  const form = el('form', { class: 'kit-name', onsubmit: event => {
    event.preventDefault();
    act({ op: 'save', name: field.value, revision: kitSession.kit.revision });
  } }, field, save);

  const show = async name => {         // the older versions of one, and how the present kit differs
    opened = opened === name ? '' : name;
    details = null;
    drawList();
    if (!opened) return;
    try { details = await post('/api/kits/details', { name }); } catch (error) { notice(error.message); }
    if (opened === name) drawList();
  };
  const makeDetails = name => {
    const renamed = el('input', { type: 'text', value: name, 'aria-label': 'New name' });
    const makeVersion = ({ version, change, when }) => el('li', {},
      el('span', {}, `before a change of ${change}`), el('small', {}, when),
      button('Take back', () => { act({ op: 'take_back', name, version }); opened = ''; }));
    return el('div', { class: 'saved-details' },
      el('div', { class: 'actions' }, renamed,
        button('Rename', () => { act({ op: 'rename', name, new: renamed.value }); opened = ''; }),
        button('Delete this kit', () => { act({ op: 'delete', name }); opened = ''; })),
      ...(details ? [
        el('ul', {}, ...details.lines.map(line => el('li', {}, line))),
        details.versions.length ? el('p', { class: 'none' }, 'Older versions:') : '',
        el('ul', { class: 'versions' }, ...details.versions.map(makeVersion))]
        : [el('p', { class: 'none' }, 'Comparing …')]));
  };
  const makeKit = ({ name, n_slots: nSlots, n_strokes: nStrokes }) => el('li', {},
    el('span', { class: 'name', dir: 'auto' }, name), el('small', {}, `${nSlots} slots, ${nStrokes} strokes`),
    button('Open', () => kitSession.apply('open', { name }), { 'aria-label': `Open ${name}` }),
    button('More', () => show(name), { 'aria-expanded': String(opened === name),
      'aria-label': `More about ${name}` }),
    opened === name ? makeDetails(name) : '');
  const drawList = () => box.replaceChildren(
    list.error ? el('p', { role: 'alert' }, list.error) : '',
    list.kits.length ? el('ul', { class: 'saved-list' }, ...list.kits.map(makeKit))
      : el('p', { class: 'none' }, 'No kit is saved yet. Name the present one and press “Save”.'));
  const open = async () => {
    try { Object.assign(list, await fetchJson('/api/kits')); } catch (error) { list.error = error.message; }
    drawList();
  };
  const draw = () => {
    const { kit } = kitSession;
    save.disabled = !kit?.slots.length;
    if (!kit || namedFor === kit.name) return;
    namedFor = kit.name;
    field.value = kit.name;
  };
  return { box, form, open, draw };
}
