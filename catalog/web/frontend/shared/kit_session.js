// The kit on the table, one for the whole page: fetched, changed through the server, told to all.

import { WORDS } from '../constants.js';
import { ownKey } from './dom.js';

const ORDER = Object.values(WORDS.families).flat();   // as the cards lie, so that the letters run along

function makeTable() {
  const t = { kit: null, slots: [], trouble: '', busy: 0 };
  const hearers = new Set();
  let order = 0, shown = 0;
  t.hear = hearer => { hearers.add(hearer); if (t.kit) hearer(t); return () => hearers.delete(hearer); };
  const tell = () => hearers.forEach(hearer => hearer(t));
  const take = (kit, mine) => {
    if (mine < shown) return;          // an answer that was overtaken by a later one
    shown = mine;
    t.kit = kit;
    t.slots = kit.slots.sort((a, b) => ORDER.indexOf(a.slot) - ORDER.indexOf(b.slot));
    t.bySlot = new Map(kit.slots.map(slot => [slot.slot, slot]));
    t.hits = new Map(kit.slots.flatMap(slot => slot.hits.map(hit => [hit.id, hit])));
  };
  const ask = async (path, options) => {
    const mine = ++order;
    t.busy += 1;
    tell();
    try {
      const answer = await fetch(`/api/kit${path}`, options);
      if (!answer.ok) throw new Error(await answer.text());
      take(await answer.json(), mine);
      t.trouble = '';
      return true;
    } catch (err) {
      t.trouble = err.message;
      return false;
    } finally { t.busy -= 1; tell(); }
  };
  t.refresh = revision => (t.kit && revision === t.kit.revision ? Promise.resolve(true) : ask(''));
  t.act = (op, more = {}) => ask('/act', { method: 'POST', headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify({ op, ...more }) });
  // Another tab may have changed the kit meanwhile.
  document.addEventListener('visibilitychange', () => { if (!document.hidden && t.kit) ask(''); });
  return t;
}

const table = globalThis.__hitTable ??= makeTable();

// Ctrl+Z and Ctrl+Shift+Z (or Y) in a room that holds the kit.
function undoKey(event) {
  if (!(event.ctrlKey || event.metaKey) || event.altKey) return false;
  const key = event.key.toLowerCase(), op = key === 'y' || (key === 'z' && event.shiftKey) ? 'redo' : key === 'z' ? 'undo' : '';
  if (!op) return false;
  ownKey(event);
  table.act(op);
  return true;
}

export { table, undoKey };
