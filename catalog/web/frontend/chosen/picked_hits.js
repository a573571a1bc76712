// Several hits chosen together: played one after the other, marked, tagged, given a role; all can be undone.

import { MAX_TAG, ROLE_LABELS } from '../constants.js';
import { playingOrder } from '../map/spatial_index.js';
import { engine } from '../playback/audio_engine.js';
import { MARK_SIGNS, annotate } from '../shared/annotations.js';
import { button, consumeKey, el, options } from '../shared/dom.js';
import { cleanTag } from './hit_annotations.js';

const MAX_PLAY_S = .9;                 // of each hit when many are played
const PAUSE_S = .12;                   // before the next one
const N_AHEAD = 6;                     // hits loaded ahead of the one that plays
const MAX_ROLES_NAMED = 4;             // in the heading
const MARKED = { master: 'marked master', spare: 'marked spare', 'no-good': 'marked no good',
  '': 'mark removed' };

const countHits = n => `${n.toLocaleString('en')} ${n === 1 ? 'hit' : 'hits'}`;
const wait = s => new Promise(done => setTimeout(done, 1000 * s));

function describeRoles(roles) {        // as "12 Kick, 3 Snare"
  const counts = new Map();
  for (const role of roles) counts.set(role, (counts.get(role) ?? 0) + 1);
  const parts = [...counts].sort((a, b) => b[1] - a[1]).map(([role, n]) => `${n} ${ROLE_LABELS[role]}`);
  return parts.slice(0, MAX_ROLES_NAMED).join(', ') + (parts.length > MAX_ROLES_NAMED ? ' …' : '');
}

// Plays hits in order, from where it was stopped. on: {point(hit or null), show(text)}
function makeSequence(on) {
  const sequence = { hits: [], position: 0, isPlaying: false };
  let ticket = 0;
  sequence.stop = () => {
    ticket += 1;
    sequence.isPlaying = false;
    on.point(null);
    on.show();
  };
  sequence.set = hits => {
    sequence.stop();
    Object.assign(sequence, { hits, position: 0 });
    on.show('');
  };
  const playHit = async hit => {       // false if the user plays something else meanwhile
    await engine.play(hit);
    const { nStarts } = engine;
    await wait(Math.min(engine.lastStart.seconds, MAX_PLAY_S) + PAUSE_S);
    return engine.nStarts === nStarts;
  };
  sequence.play = async () => {
    const mine = ++ticket;
    sequence.isPlaying = true;
    for (; sequence.position < sequence.hits.length; sequence.position++) {
      const hit = sequence.hits[sequence.position];
      sequence.hits.slice(sequence.position + 1, sequence.position + 1 + N_AHEAD).forEach(engine.loadQuietly);
      on.point(hit);
      on.show(`${sequence.position + 1} of ${sequence.hits.length}: ${hit.name}`);
      const isAlone = await playHit(hit);
      if (mine !== ticket) return;
      if (!isAlone) { sequence.position += 1; sequence.stop(); return; }
    }
    sequence.set(sequence.hits);
  };
  return sequence;
}

function makeTagField(change) {
  const field = el('input', { type: 'text', maxLength: MAX_TAG, placeholder: 'a tag for all',
    'aria-label': 'Tag for all chosen hits', onkeydown: event => {
      if (event.key !== 'Enter') return;
      consumeKey(event);
      apply('add');
    } });
  const apply = way => {
    const tag = cleanTag(field.value);
    if (!tag) { field.focus(); return; }
    change({ [way]: [tag] }, way === 'add' ? `tagged ${tag}` : `tag ${tag} removed`);
    field.value = '';
  };
  return el('span', { class: 'together' }, field, button('Tag', () => apply('add')),
    button('Untag', () => apply('drop')));
}

function makeRoleField(change) {
  const field = el('select', { 'aria-label': 'Role for all chosen hits', onchange: () => {
    if (field.value) change({ role: field.value }, `role ${ROLE_LABELS[field.value]}`);
    field.value = '';
  } }, el('option', { value: '' }, 'role for all …'), ...options(ROLE_LABELS));
  return field;
}

// on: {notice(text), pick(ids), narrow(ids)}
export function makePickedHits({ state, on }) {
  const box = el('section', { class: 'picked', 'aria-label': 'Hits chosen together', hidden: true });
  const heading = el('h2', { role: 'status' }), place = el('p', { class: 'none', dir: 'auto' });
  const play = button('Play in order', () => (sequence.isPlaying ? sequence.stop() : sequence.play()),
    { class: 'main' });
  const show = text => {
    if (text !== undefined) place.textContent = text;
    play.textContent = sequence.isPlaying ? 'Stop' : sequence.position > 0 ? 'Continue' : 'Play in order';
  };
  const point = hit => state.change({ pointed: hit ? state.columns.rowOf(hit.id) : -1 });
  const sequence = makeSequence({ show, point });
  const picked = { box, sequence };
  const ids = () => [...state.picked];
  const change = (values, text) => annotate(ids(), values, `${countHits(state.picked.size)}: ${text}`)
    .catch(error => on.notice(error.message));
  picked.show = shown => {             // ids
    box.hidden = shown.length < 2;
    if (box.hidden) { if (sequence.hits.length) sequence.set([]); return; }
    const { columns } = state, { points } = columns;
    const rows = shown.map(columns.rowOf).filter(row => row >= 0);
    sequence.set(playingOrder(points, rows, points.scales[state.color]).map(columns.hit));
    heading.textContent = `${countHits(rows.length)} chosen`;
    place.textContent = describeRoles(sequence.hits.map(hit => hit.role));
  };
  const marks = Object.entries(MARKED).map(([mark, done]) =>
    button(MARK_SIGNS[mark] || 'no mark', () => change({ mark }, done), { 'data-mark': mark }));
  box.append(heading, place, el('div', { class: 'actions' }, play,
    button('Only these', () => on.narrow(ids()), { title: 'Ask for these; other conditions narrow them' }),
    button('Clear', () => on.pick([]), { title: 'Escape' })),
  el('div', { class: 'actions' }, ...marks, makeRoleField(change), makeTagField(change)));
  return picked;
}
