// Groups of files that hold the same recording: heard, laid over each other, then one set aside.

import { engine } from '../playback/audio_engine.js';
import { layPair } from './overlay.js';
import { makeQuestion } from './uncertain_pair.js';
import { el, outlineCanvas, fillOutlines } from '../shared/dom.js';

function makeTwice(ask) {              // ask: {pick(ids), act(op, more)}
  const box = el('section', { class: 'twice', 'aria-label': 'What is there twice' });
  const p = { box, picked: new Set(), overlays: new Map() };
  const open = new Set();              // "keep:other" whose overlay is shown
  let seen = '';

  const notes = row => [row.kits.length ? el('span', { class: 'note' }, 'in the kit ', el('bdi', {}, row.kits.join(', '))) : null,
    row.stuck ? el('span', { class: 'note' }, row.stuck) : null];
  const lineOf = (row, lead) => el('div', { class: 'line' }, lead,
    el('button', { type: 'button', class: 'row', onclick: () => engine.play(row), 'aria-label': `Play ${row.name}` },
      outlineCanvas(row, 130, 30), el('span', { class: 'words' },
        el('span', { class: 'name', dir: 'auto' }, row.name),
        el('span', { class: 'why', dir: 'auto' }, row.words), ...notes(row))));
  const tickOf = row => {
    const tick = el('input', { type: 'checkbox', checked: p.picked.has(row.id), onchange: () => {
      p.picked[tick.checked ? 'add' : 'delete'](row.id);
      ask.pick([...p.picked]);
    }, 'aria-label': `Set aside ${row.name}` });
    tick.hit = row.id;
    return el('label', { class: 'tick' }, tick, row.stuck ? 'hide' : 'set aside');
  };
  const pairOf = (group, row) => {
    const key = `${group.keep.id}:${row.id}`, room = el('div', { class: 'over' });
    const show = () => {
      if (open.has(key)) { const made = layPair(group.keep, row); p.overlays.set(key, made); room.replaceChildren(made.box); }
      else { p.overlays.get(key)?.end(); p.overlays.delete(key); room.replaceChildren(); }
      look.setAttribute('aria-expanded', String(open.has(key)));
    };
    const look = el('button', { type: 'button', onclick: () => { open[open.has(key) ? 'delete' : 'add'](key); show(); } }, 'Lay over each other');
    show();
    return el('div', { class: 'pair' }, lineOf(row, tickOf(row)), el('div', { class: 'deeds' },
      el('button', { type: 'button', class: 'both', onclick: () => engine.playBoth(group.keep, row) }, 'Play both, one after the other'), look,
      el('button', { type: 'button', onclick: () => ask.act('keep', { id: row.id }) }, 'Keep this one instead'),
      el('button', { type: 'button', onclick: () => ask.act('differ', { first: group.keep.id, second: row.id }) }, 'Not the same')), room);
  };
  const groupOf = group => el('div', { class: 'group' },
    el('p', { class: 'reason' }, el('b', {}, group.relation), ` · ${group.reason}`),
    lineOf(group.keep, el('span', { class: 'stays' }, 'stays')),
    ...group.others.map(row => pairOf(group, row)),
    el('div', { class: 'deeds foot' }, el('button', { type: 'button', class: 'accept',
      onclick: () => ask.act('accept', { ids: group.others.map(row => row.id) }) },
    group.others.length === 1 ? 'Accept: set this one aside' : `Accept: set these ${group.others.length} aside`)));
  p.update = (groups, picked) => {
    p.picked = new Set(picked);
    const now = JSON.stringify(groups);
    if (now !== seen) {
      seen = now;
      p.overlays.forEach(made => made.end());
      p.overlays.clear();
      box.replaceChildren(...groups.map(groupOf));
      fillOutlines(box);
    }
    box.querySelectorAll('.tick input').forEach(tick => { tick.checked = p.picked.has(tick.hit); });
  };
  p.end = () => p.overlays.forEach(made => made.end());
  return p;
}

export const mount = (root, live) => {
  const act = (op, more) => live.c.setTriggerValue('act', { op, ...more, at: Date.now() });
  const twice = makeTwice({ pick: ids => live.c.setStateValue('picked', ids), act });
  const question = makeQuestion({ act });
  root.querySelector('.room').replaceChildren(twice.box, question.box);
  return {
    update: data => {
      twice.update(data.groups, data.picked);
      question.update(data.pairs);
      if (data.probe) globalThis.__twice = { twice, question, engine };
    },
    stop() { twice.end(); question.end(); },
  };
};
