// The chosen hit: pictures, numbers, what the person says of it, and rows of what is like it.

import { makeCompare } from './comparison.js';
import { makeWishes } from './constraints.js';
import { MARK_KEYS, sayMark, makeOpinion } from './hit_annotations.js';
import { MARK_SIGNS, listOf } from './hit_rows.js';
import { makeOutside } from './query_file.js';
import { WORDS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { SPECTRUM_S, drawSpectrum, drawWave } from '../drawing/waveform.js';
import { engine } from '../playback/audio_engine.js';
import { say } from '../shared/annotations.js';
import { el, fillOutlines, seconds, hertz, decibels, originOf, ownKey } from '../shared/dom.js';

const GUESSED = { user: 'as you said', name: 'by its name', sound: 'by its sound', example: 'by your examples' };
const SOUND_FIRST_MS = 50;

const getJson = path => fetch(path).then(answer => answer.ok ? answer.json() : answer.text().then(text => { throw new Error(text); }));

function numbersOfRow(row) {
  const v = row.numbers;
  return el('dl', { class: 'numbers' }, ...[
    ['length', seconds(v.length_s)], ['attack', seconds(v.attack_s)], ['falls 20 dB in', seconds(v.decay20_s)],
    ['brightness', hertz(v.centroid_hz)], ['body', v.body_hz ? `${hertz(v.body_hz)}${row.body_note ? ` (${row.body_note})` : ''}` : '–'],
    ['loudness', decibels(v.loudness_lkfs, 'LKFS')], ['peak', decibels(v.peak_db, 'dBFS')],
    ['file', `${row.format}, ${row.channels === 1 ? 'mono' : row.channels === 2 ? 'stereo' : `${row.channels} channels`}`],
  ].map(([name, value]) => el('div', {}, el('dt', {}, name), el('dd', {}, value))));
}

function makeChosen(ask) {             // ask: {choose(id), assign(slot, id), sounding(id), trouble(text)}
  const box = el('section', { class: 'chosen', 'aria-label': 'The chosen hit' });
  const facts = el('div', { 'aria-label': 'Numbers of the chosen hit' });
  const compare = makeCompare(), wishes = makeWishes(() => again());
  const p = { box, facts, id: null, shownFor: null, compare };
  let ticket = 0, elsewhere = false, opinion = null, similar = null;
  const outside = makeOutside({ show: row => showOutside(row), trouble: text => ask.trouble(text) });
  outside.drops(box);
  const rows = { choose: id => ask.choose(id), compare: row => compare.show(p.rows.self, row) };
  const nearOf = row => getJson(`${row.outside ? `/api/outside/${row.outside}/near` : `/api/near/${row.id}`}?elsewhere=${elsewhere ? 1 : 0}&but=${[...wishes.words].join(',')}`);

  const fillSimilar = near => {
    const hint = wishes.words.size ? `but ${[...wishes.words].join(', ')}` : 'wherever they come from';
    similar.replaceChildren(listOf('Similar', hint, near.similar, 'qwertyuiop', rows, near.trouble || undefined),
      near.trouble && near.similar.length ? el('p', { class: 'none' }, near.trouble) : '');
    p.rows.similar = near.similar;
    fillOutlines(similar);
    engine.prefetch(near.similar);
  };
  const again = async () => {          // another wish, or other sessions only: the rest stays
    const row = p.rows?.self, mine = ++ticket;
    if (!row) return;
    try {
      const near = await nearOf(row);
      if (mine === ticket) { fillSimilar(near); p.asked = [...wishes.words].join(','); }
    } catch (err) { ask.trouble(err.message); }
  };

  const placing = row => {
    const slots = el('select', { 'aria-label': 'Place in the kit' },
      ...Object.entries(WORDS.slots).map(([slot, label]) => el('option', { value: slot }, label)));
    slots.value = WORDS.slot_of[row.role] ?? slots.options[0]?.value ?? '';
    return el('span', { class: 'together' }, slots, el('button', { type: 'button', onclick: () => ask.assign(slots.value, row.id) }, 'Put in kit'));
  };
  const roleOf = row => {
    const roles = el('select', { onchange: () => say([row.id], { role: roles.value }, `${row.name}: ${WORDS.roles[roles.value]}`).catch(err => ask.trouble(err.message)) },
      ...Object.entries(WORDS.roles).map(([role, label]) => el('option', { value: role }, label)));
    roles.value = row.role;
    return el('label', { class: 'role' }, `Role, ${GUESSED[row.said_by] ?? 'guessed'}`
      + `${row.said_by === 'user' ? '' : `, ${Math.round(100 * row.sure)} % sure`}: `, roles);
  };

  const fill = (row, near) => {
    const wave = el('canvas', { 'aria-hidden': 'true' }), spectrum = el('canvas', { 'aria-hidden': 'true' });
    const toggle = el('input', { type: 'checkbox', checked: elsewhere, onchange: event => { elsewhere = event.target.checked; again(); } });
    compare.hide();
    p.rows = { alternates: near.alternates, similar: near.similar, self: row };
    opinion = row.outside ? null : makeOpinion(row, ask.trouble);
    similar = el('div', { class: 'similar' });
    box.replaceChildren(
      el('h2', { dir: 'auto' }, markIcon(row.role), row.name),
      el('p', { class: 'origin', dir: 'auto' }, row.outside ? 'from outside; not in the catalog' : originOf(row) || 'origin unknown'),
      el('div', { class: 'pictures' }, wave, spectrum,
        el('span', { class: 'axis' }, `above: the wave; below: 40 Hz to 16 kHz, first ${Math.round(SPECTRUM_S * 1000)} ms`)),
      el('div', { class: 'deeds' },
        el('button', { type: 'button', class: 'main', onclick: () => engine.play(row) }, 'Play'),
        row.outside ? el('span', { class: 'none' }, `sounds like: ${WORDS.roles[row.role]}`) : placing(row), outside.box),
      opinion?.box ?? '', row.outside ? '' : roleOf(row), compare.box,
      row.outside ? '' : listOf('Alternates', 'most likely strokes of the same drum', near.alternates, '1234567890', rows),
      wishes.box, el('label', { class: 'tick' }, toggle, 'other sessions only'), similar);
    facts.replaceChildren(numbersOfRow(row));
    fillSimilar(near);
    const width = Math.max(120, box.clientWidth - 26);
    engine.load(row).then(buffer => {
      if (p.rows.self !== row) return;
      drawWave(wave, buffer, width, 64); drawSpectrum(spectrum, buffer, width, 72);
    }).catch(err => box.querySelector('.axis').replaceChildren(err.message));
    fillOutlines(box);
    engine.prefetch(near.alternates);
    p.shownFor = row.id;
    p.shownAt = performance.now();
  };

  const showOutside = async row => {
    const mine = ++ticket;
    p.id = null;
    wishes.clear();
    try {
      const near = await nearOf(row);
      if (mine === ticket) { fill(row, near); ask.trouble(''); engine.play(row); }
    } catch (err) { ask.trouble(err.message); }
  };
  p.show = async (id, anew = false) => {
    if (id === p.id && !anew) return;
    if (id !== p.id) wishes.clear();
    p.id = id;
    const mine = ++ticket;
    if (id === null || id === undefined) { p.empty(); return; }
    try {
      // the sound goes first: the lists wait until its bytes are here, but not for long
      await Promise.race([ask.sounding(id), new Promise(done => setTimeout(done, SOUND_FIRST_MS))]);
      if (mine !== ticket) return;
      const [row, near] = await Promise.all([getJson(`/api/about/${id}`), nearOf({ id })]);
      if (mine === ticket) fill(row, near);
    } catch (err) {
      if (mine === ticket) box.replaceChildren(el('p', { class: 'none' }, `This hit cannot be shown: ${err.message}`));
    }
  };
  p.empty = () => {
    facts.replaceChildren();
    compare.hide();
    p.rows = null;
    box.replaceChildren(el('h2', {}, 'Choose a hit'), el('p', { class: 'none' },
      'Rest the pointer on a mark to hear it, click to choose it. With the map in focus, arrow keys walk '
      + 'from hit to hit and space repeats. What is like the chosen hit is listed here.'),
    el('p', { class: 'none' }, 'Or start from a recording that is not in the catalog: drop it here. '), outside.box);
  };
  p.said = changed => {                // [[id, role, mark], ...]
    for (const [id, role, mark] of changed) {
      const word = WORDS.marks[mark];
      box.querySelectorAll(`[data-said="${id}"]`).forEach(node => { node.textContent = MARK_SIGNS[word]; });
      for (const row of [...p.rows?.alternates ?? [], ...p.rows?.similar ?? []]) if (row.id === id) row.mark = word;
      if (p.rows?.self.id !== id) continue;
      opinion?.show(word);
      if (p.rows.self.role !== WORDS.order[role]) p.show(id, true);
    }
  };
  const rowsShown = () => [...p.rows?.alternates ?? [], ...p.rows?.similar ?? [], ...p.rows ? [p.rows.self] : []];
  const rowAt = event => {
    const at = event.target.closest?.('.row');
    return at && rowsShown().find(row => row.id === Number(at.dataset.id));
  };
  const markKey = event => {           // shift and a letter marks the row in focus, else the chosen hit
    if (!event.shiftKey || !(event.key in MARK_KEYS)) return false;
    const row = rowAt(event) ?? p.rows.self;
    ownKey(event);
    if (!row.outside) sayMark(row, MARK_KEYS[event.key]).catch(err => ask.trouble(err.message));
    return true;
  };
  const walkKey = event => {
    const at = event.target.closest?.('.row'), row = rowAt(event);
    if (!row) return false;
    const all = [...box.querySelectorAll('.row')], next = all[all.indexOf(at) + ({ ArrowDown: 1, ArrowUp: -1 })[event.key]];
    if (event.key === 'ArrowRight') ask.choose(row.id);
    else if (event.key === 'ArrowLeft') compare.show(p.rows.self, row);
    else if (next) { next.focus(); next.click(); }
    else if (event.key !== 'ArrowDown' && event.key !== 'ArrowUp') return false;
    ownKey(event);
    return true;
  };
  // Digits play the alternates, the letters below them the similar hits, a full stop the chosen one.
  p.key = event => {
    if (!p.rows) return false;
    if (compare.key(event) || markKey(event) || walkKey(event)) return true;
    const digit = '1234567890'.indexOf(event.key), letter = 'qwertyuiop'.indexOf(event.key);
    const row = digit >= 0 ? p.rows.alternates[digit] : letter >= 0 ? p.rows.similar[letter]
      : event.key === '.' ? p.rows.self : null;
    if (!row) return false;
    ownKey(event); engine.play(row);
    return true;
  };
  p.end = () => compare.hide();
  p.empty();
  return p;
}

export { getJson, makeChosen };
