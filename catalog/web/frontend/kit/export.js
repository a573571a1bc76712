// Export with a plan: which files are written where, how large, and what speaks against it; then write it.

import { RIGHTS } from '../constants.js';
import { button, el, options } from '../shared/dom.js';
import { fetchJson } from '../shared/http.js';
import { kitSession } from '../shared/kit_session.js';

const WIDTHS = { PCM_24: '24-bit (usual)', PCM_16: '16-bit', FLOAT: '32-bit float' };
// What is exported of strokes with several microphones, before and after the names of these.
const ONE = { '': 'main microphone' };
const SEVERAL = { mix: 'mix of all microphones, aligned', all: 'every microphone, each a file' };
const NOTHING = 'Nothing that exists is replaced; your recordings stay as they are.';
const post = (path, body) => fetchJson(path, { method: 'POST', body: JSON.stringify(body) });

function formatBytes(n) {
  return n < 1e6 ? `${Math.max(1, Math.round(n / 1000))} kB` : `${(n / 1e6).toFixed(1)} MB`;
}

function makePlan(plan) {
  const nFiles = plan.slots.reduce((sum, slot) => sum + slot.files.length, 0) + plan.documents.length;
  const makeSlot = slot => el('details', {},
    el('summary', {}, `${slot.label}, key ${slot.notes.join(', ')}: ${slot.files.length} `
      + `${slot.files.length === 1 ? 'file' : 'files'}, ${formatBytes(slot.n_bytes)}`),
    el('ul', {}, ...slot.files.map(file => el('li', {}, `${file.file}, from `, el('bdi', {}, file.source)))));
  return el('div', { class: 'export-plan' },
    ...plan.refusals.map(line => el('p', { role: 'alert' }, line)),
    el('p', {}, el('b', {}, `${nFiles} files, at most ${formatBytes(plan.n_bytes)}`), ' in ',
      el('bdi', {}, plan.folder), '. ', plan.refusals.length ? '' : NOTHING),
    el('div', { class: 'plan-slots' }, ...plan.slots.map(makeSlot)),
    el('details', {}, el('summary', {}, `Besides: ${plan.documents.length} files that describe the kit`),
      el('ul', {}, ...plan.documents.map(name => el('li', {}, name)))),
    plan.notes.length ? el('details', {}, el('summary', {}, `To check: ${plan.notes.length}`),
      el('ul', {}, ...plan.notes.map(line => el('li', {}, line)))) : '');
}

export function makeExport({ notice }) {
  const box = el('section', { class: 'kit-panel export', 'aria-label': 'Export' });
  const folder = el('input', { type: 'text', 'aria-label': 'New folder for the kit',
    placeholder: 'full path of a new folder', autocomplete: 'off', oninput: () => drop(),
    onkeydown: event => { if (event.key === 'Enter') look(); } });
  const width = el('select', { 'aria-label': 'Sample format', onchange: () => drop() },
    ...options(WIDTHS));
  const microphone = el('select', { 'aria-label': 'Microphone', onchange: () => drop() });
  const plan = el('div', { 'aria-live': 'polite' });
  let shown = null, shownFor = null;   // the plan, and the revision of the kit that it is of
  const wanted = () => ({ folder: folder.value, subtype: width.value, microphone: microphone.value });
  const drop = () => { shown = null; plan.replaceChildren(); drawButtons(); };

  const look = async () => {
    const { revision } = kitSession.kit;
    plan.replaceChildren(el('p', { class: 'none' }, 'Measuring the levels …'));
    try {
      shown = await post('/api/kit/plan', wanted());
      shownFor = revision;
      plan.replaceChildren(makePlan(shown));
    } catch (error) {
      shown = null;
      plan.replaceChildren(el('p', { role: 'alert' }, error.message));
    }
    drawButtons();
  };
  const write = async () => {
    writing.disabled = true;
    notice('Writing the kit …');
    try {
      const { text } = await post('/api/kit/export', wanted());
      notice(text);
      drop();
      plan.replaceChildren(el('p', { role: 'status' }, text));
    } catch (error) {
      notice(error.message);
      plan.replaceChildren(el('p', { role: 'alert' }, error.message));
    }
    drawButtons();
  };
  const planning = button('Show the plan', look);
  const writing = button('Write the folder', write, { class: 'main' });
  const download = el('a', { download: '' }, 'Download as zip');
  const drawButtons = () => {
    planning.disabled = !kitSession.kit?.slots.length;
    writing.hidden = !shown;
    writing.disabled = Boolean(shown?.refusals.length);
    download.hidden = !shown;
    if (shown) download.href = shown.download;
  };
  const drawMicrophones = () => {
    const names = kitSession.kit?.microphones ?? [], { value } = microphone;
    const labels = { ...ONE, ...Object.fromEntries(names.map(name => [name, name])), ...SEVERAL };
    microphone.hidden = !names.length;
    microphone.replaceChildren(...options(labels));
    microphone.value = names.length && value in labels ? value : '';
  };
  const draw = () => {
    drawMicrophones();
    if (shown && shownFor !== kitSession.kit?.revision) drop();
    drawButtons();
  };
  box.replaceChildren(el('div', { class: 'actions' }, folder, width, microphone, planning, writing, download),
    el('p', { class: 'none' }, el('b', {}, 'Rights. '), RIGHTS), plan);
  return { box, open: draw, draw };
}
