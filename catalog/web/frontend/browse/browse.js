// The view "listen": the map, the chosen hit beside it, the kit below.

import { getJson, makeChosen } from './hit_panel.js';
import { makeRegion } from './selection.js';
import { WORDS } from '../constants.js';
import { carryRows } from '../kit/drag.js';
import { makeStrip } from '../kit/pads.js';
import { makeMap } from '../map/map.js';
import { unpackPoints } from '../map/points.js';
import { makeBar } from '../map/toolbar.js';
import { engine } from '../playback/audio_engine.js';
import { striker } from '../playback/kit_sampler.js';
import { SAID_STEPS, SAID_HEARD, unsay, sayAgain } from '../shared/annotations.js';
import { el, ownKey, typing, isDark } from '../shared/dom.js';
import { table, undoKey } from '../shared/kit_session.js';

const SETTLE_MS = 200;                 // walking by key must not ask the server at each step
const SAID_MS = 1500;                  // what was said many times over is told to the page once

export const mount = (root, live) => {
  const waits = {};
  const tell = (name, value, ms = SETTLE_MS) => {
    clearTimeout(waits[name]);
    waits[name] = setTimeout(() => live.c.setStateValue(name, value), ms);
  };
  const status = el('p', { class: 'status', 'aria-live': 'polite' });
  const trouble = text => { status.textContent = text; };
  const chosen = makeChosen({ choose: id => live.map.choose(id), assign: (slot, id) => table.act('assign', { slot, id }), trouble,
    sounding: id => { const hit = live.map.hitOf(id); return hit && engine.load(hit).catch(() => {}); } });
  const nameOf = async id => {
    const row = await getJson(`/api/about/${id}`);
    return `${row.name} — ${WORDS.roles[row.role]}, ${row.session || 'unknown session'}`;
  };
  const map = live.map = makeMap(live.data.name, {
    choose: id => { chosen.show(id); tell('chosen', id); },
    hover: id => {
      clearTimeout(waits.hover);
      if (id === null) { status.textContent = ''; return; }
      waits.hover = setTimeout(() => nameOf(id).then(trouble, () => {}), 120);
    },
    taken: rows => {                   // null lets go
      if (rows) region.take(rows); else region.letGo();
      if (rows && !rows.length) trouble('No hit lies inside the line.');
    },
  });
  const region = makeRegion(map, { name: nameOf, trouble, gone: () => bar.setLasso(false) });
  const bar = makeBar(map, { color: name => tell('color', name), take: rows => { map.dropLine(); region.take(rows); } });
  const strip = makeStrip(() => root.activeElement?.closest?.('.row')?.dataset.id ? Number(root.activeElement.closest('.row').dataset.id) : chosen.id);
  const room = root.querySelector('.room');
  room.replaceChildren(el('div', { class: 'listen' }, el('div', { class: 'left' }, bar.box, map.box, status, region.box, bar.key, chosen.facts), chosen.box), strip.box);
  room.addEventListener('keydown', event => {
    if (typing(event) || (event.target.closest?.('.pads') && undoKey(event))) return;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === 'z') {
      ownKey(event);
      (event.shiftKey ? sayAgain() : unsay()).catch(err => trouble(err.message));
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (!chosen.key(event)) strip.key(event);
  });
  const carrying = carryRows(room, chosen, strip);
  const heard = (changed, text) => {
    map.said(changed); chosen.said(changed); region.said(changed); bar.legend();
    status.textContent = text;
    tell('said', Date.now(), SAID_MS);   // the finding row learns of new tags and marks
  };
  SAID_HEARD.add(heard);
  const stop = () => {
    SAID_HEARD.delete(heard);
    [strip.stop, carrying.stop, chosen.end, region.stop, map.end].forEach(end => end());
    Object.values(waits).forEach(clearTimeout);
  };

  let loaded = null, masked = null, linked = false;
  const loadPoints = async version => {
    const answer = await fetch(`/api/points/${version}`);
    if (!answer.ok) { trouble(await answer.text()); return; }
    const taken = region.rows.length ? region.ids() : [], before = map.points?.ids.join();
    map.setPoints(unpackPoints(await answer.arrayBuffer()));
    region.anew(taken);
    if (map.view.chosen === null && live.data.chosen !== null) map.view.chosen = live.data.chosen;
    if (map.view.chosen !== null && map.points.row.has(map.view.chosen)) chosen.show(map.view.chosen, map.points.ids.join() !== before);
    map.draw();
  };
  const loadMask = async version => {
    const answer = version ? await fetch(`/api/mask/${version}`) : null;
    const mask = answer?.ok ? new Uint8Array(await answer.arrayBuffer()) : null;
    if (masked === version) map.setMask(mask);
  };
  const update = async data => {
    map.setDark(isDark(room));
    table.refresh(data.kit_revision);
    if (!linked && data.color) bar.setColor(data.color);
    linked = true;
    if (loaded !== data.version) { loaded = data.version; await loadPoints(data.version); }
    if (masked !== data.mask_version) { masked = data.mask_version; await loadMask(masked); }
    bar.legend();
    if (data.probe) globalThis.__audition = { engine, map, chosen, pads: strip, table, striker, region, said: SAID_STEPS };
  };
  return { update, stop };
};
