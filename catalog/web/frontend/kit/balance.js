// Levels, pitches and masking of the slots, measured when they are opened, with suggested tunings.

import { button, el } from '../shared/dom.js';
import { formatDecibels, formatHertz } from '../shared/format.js';
import { fetchJson } from '../shared/http.js';
import { kitSession } from '../shared/kit_session.js';

const SHOWN_DB = 30;                   // below the loudest slot; a softer one has no bar
const SHARES = 'Percent of energy that two slots have in the same third-octave bands:';

const cell = (text, props = {}) => el('td', props, text);

function makeLevels({ slots, tunings }) {
  const loudest = Math.max(...slots.map(slot => slot.level_lkfs));
  const makeRow = slot => {
    const share = Math.max(0, 1 + (slot.level_lkfs - loudest) / SHOWN_DB);
    const tuning = tunings.find(other => other.slot === slot.slot);
    return el('tr', {}, el('th', { scope: 'row' }, slot.label),
      cell(formatDecibels(slot.level_lkfs, 'LKFS'), { class: 'balance-number' }),
      el('td', {}, el('i', { class: 'balance-bar', style: `width: ${Math.round(60 * share)}px` })),
      cell(slot.note ? `${slot.note}, ${formatHertz(slot.pitch_hz)}` : ''),
      cell(slot.masked_by),
      el('td', {}, tuning ? button(`Tune ${slot.label}`, () => kitSession.apply('tune',
        { slot: tuning.slot, semitones: tuning.semitones }), { title: tuning.text }) : ''));
  };
  const head = ['Slot', 'Level', 'Pitch', 'Shares bands with'].map((text, k) =>
    el('th', { scope: 'col', colSpan: k === 1 ? 2 : 1 }, text));
  return el('table', { 'aria-label': 'Levels and pitches' }, el('tr', {}, ...head), ...slots.map(makeRow));
}

function makeOverlap({ slots, overlap }) {   // darker where two slots share more
  const head = el('tr', {}, el('td', {}), ...slots.map(slot =>
    el('th', { scope: 'col', title: slot.label }, slot.label.slice(0, 3))));
  const rows = slots.map((slot, i) => el('tr', {}, el('th', { scope: 'row' }, slot.label),
    ...overlap[i].map((percent, k) => cell(i === k ? '' : String(percent),
      { class: 'balance-share', style: i === k ? '' : `--share: ${Math.round(percent * .5)}%` }))));
  return el('div', {}, el('p', { class: 'none' }, SHARES),
    el('table', { 'aria-label': 'Shared bands, percent' }, head, ...rows));
}

export function makeBalance() {
  const box = el('section', { class: 'kit-panel balance', 'aria-label': 'Levels, pitches, masking',
    tabIndex: 0 });
  let shownFor = null;
  const measure = async () => {
    const { kit } = kitSession;
    if (box.hidden || !kit || shownFor === kit.revision) return;
    shownFor = kit.revision;
    if (!kit.slots.length) {
      box.replaceChildren(el('p', { class: 'none' }, 'Fill at least one slot; then its level is measured.'));
      return;
    }
    box.setAttribute('aria-busy', 'true');
    if (!box.children.length) box.replaceChildren(el('p', { class: 'none' }, 'Measuring …'));
    let parts;
    try {
      const found = await fetchJson('/api/kit/balance');
      parts = [makeLevels(found), makeOverlap(found),
        found.lines.length ? el('ul', {}, ...found.lines.map(line => el('li', {}, line))) : ''];
    } catch (error) { parts = [el('p', { role: 'alert' }, error.message)]; }
    if (shownFor === kit.revision) {
      box.replaceChildren(...parts);
      box.setAttribute('aria-busy', 'false');
    }
  };
  return { box, open: measure, draw: measure };
}
