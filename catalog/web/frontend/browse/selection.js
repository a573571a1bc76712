// Hits taken together: heard one after the other, marked, tagged, their role corrected; all can be taken back.

import { MARK_SIGNS } from './hit_rows.js';
import { WORDS } from '../constants.js';
import { orderToHear } from '../map/points.js';
import { engine } from '../playback/audio_engine.js';
import { say, unsay } from '../shared/annotations.js';
import { el, ownKey } from '../shared/dom.js';

const HEAR_S = .9, GAP_S = .12;        // of a long hit when many are heard; silence before the next
const N_READY = 6;                     // fetched ahead of the one that sounds
const SAYING = { keep: 'kept', reject: 'rejected', star: 'starred', '': 'no mark any more' };

function makeRegion(map, ask) {        // ask: {name(id) -> Promise, trouble(text), gone()}
  const box = el('section', { class: 'region hidden', 'aria-label': 'The hits taken together' });
  const r = { box, rows: [], at: 0, hearing: false };
  const head = el('h3', { 'aria-live': 'polite' }), place = el('span', { class: 'none at', dir: 'auto' });
  const ids = () => r.rows.map(k => map.points.ids[k]);
  const many = n => `${n.toLocaleString('en')} ${n === 1 ? 'hit' : 'hits'}`;
  const tell = (what, text) => say(ids(), what, `${many(r.rows.length)}: ${text}`).catch(err => ask.trouble(err.message));
  const button = (text, go, props = {}) => el('button', { type: 'button', onclick: go, ...props }, text);

  let ticket = 0;
  const pause = s => new Promise(done => setTimeout(done, 1000 * s));
  const show = () => { hear.textContent = r.hearing ? 'Stop' : r.at > 0 ? 'Hear on' : 'Hear in order'; };
  r.stop = () => { ticket += 1; r.hearing = false; map.hover = -1; map.drawOver(); show(); };
  r.hear = async () => {
    const mine = ++ticket;
    r.hearing = true;
    show();
    for (; r.at < r.rows.length; r.at++) {
      const hit = map.hitAt(r.rows[r.at]);
      r.rows.slice(r.at + 1, r.at + 1 + N_READY).forEach(k => engine.load(map.hitAt(k)).catch(() => {}));
      map.hover = r.rows[r.at];
      map.drawOver();
      place.textContent = `${r.at + 1} of ${r.rows.length}`;
      ask.name(hit.id).then(name => { if (mine === ticket && map.hover === map.points.row.get(hit.id)) place.textContent += `: ${name}`; }, () => {});
      try { await engine.play(hit); } catch { ask.trouble('One hit could not be read; its file may be gone.'); continue; }
      const starts = engine.starts;
      await pause(Math.min(engine.last.seconds, HEAR_S) + GAP_S);
      if (mine !== ticket) return;
      if (engine.starts !== starts) { r.at += 1; r.stop(); return; }   // the person plays something else
    }
    r.at = 0;
    r.stop();
    place.textContent = '';
  };
  const hear = button('Hear in order', () => r.hearing ? r.stop() : r.hear(), { class: 'main' });

  const tag = el('input', { type: 'text', maxLength: 60, placeholder: 'a tag for all', 'aria-label': 'Tag for all of them',
    onkeydown: event => { if (event.key === 'Enter') { ownKey(event); putTag('add'); } } });
  const putTag = way => {
    const word = tag.value.trim().replace(/\s+/g, ' ');
    if (!word) { tag.focus(); return; }
    tell({ [way]: [word] }, way === 'add' ? `tagged ${word}` : `tag ${word} taken away`);
    tag.value = '';
  };
  const role = el('select', { 'aria-label': 'Role of all of them', onchange: () => {
    if (role.value) tell({ role: role.value }, `role ${WORDS.roles[role.value]}`);
    role.value = '';
  } }, el('option', { value: '' }, 'the role of all …'),
  ...Object.entries(WORDS.roles).map(([value, text]) => el('option', { value }, text)));
  const marks = Object.keys(SAYING).map(mark => button(MARK_SIGNS[mark] || 'no mark', () => tell({ mark }, SAYING[mark]), { 'data-mark': mark }));

  const count = () => {
    const counts = new Map();
    for (const k of r.rows) counts.set(map.points.role[k], (counts.get(map.points.role[k]) ?? 0) + 1);
    const parts = [...counts].sort((a, b) => b[1] - a[1]).map(([at, n]) => `${n} ${WORDS.roles[WORDS.order[at]]}`);
    head.textContent = `${many(r.rows.length)} taken: ${parts.slice(0, 4).join(', ')}${parts.length > 4 ? ' …' : ''}`;
  };
  r.take = rows => {
    r.stop();
    r.at = 0;
    place.textContent = '';
    r.rows = orderToHear(map.points, rows, map.points.scales[map.view.color]);
    box.classList.toggle('hidden', !rows.length);
    if (rows.length) { count(); show(); } else map.dropLine();
  };
  r.letGo = () => { r.take([]); ask.gone(); };
  r.said = changed => { if (r.rows.length && changed.length) count(); };
  r.anew = before => {                 // other points came: the same hits by their ids
    const rows = before.filter(id => map.points.row.has(id)).map(id => map.points.row.get(id));
    if (before.length) { r.stop(); r.rows = rows; box.classList.toggle('hidden', !rows.length); if (rows.length) count(); }
  };
  r.ids = ids;
  box.addEventListener('keydown', event => {
    if (event.key === 'Escape') { ownKey(event); r.letGo(); map.over.focus(); }
  });
  box.append(head,
    el('div', { class: 'deeds' }, hear, place),
    el('div', { class: 'deeds' }, ...marks, role, el('span', { class: 'together' }, tag, button('Tag', () => putTag('add')), button('Untag', () => putTag('drop'))),
      button('Take back', () => unsay().catch(err => ask.trouble(err.message)), { class: 'back', title: 'Ctrl+Z takes back, ctrl+shift+Z says it again' }),
      button('Let go', r.letGo, { title: 'Escape' })));
  return r;
}

export { makeRegion };
