// The kit being built, one for the whole page: fetched from the server and changed through it.

import { SLOT_FAMILIES } from '../constants.js';
import { consumeKey } from './dom.js';
import { fetchJson } from './http.js';

const SLOT_ORDER = Object.values(SLOT_FAMILIES).flat();   // as on the cards, so that keys run along them
function makeKitSession() {
  const session = { kit: null, slots: [], bySlot: new Map(), hits: new Map(), error: '', nPending: 0,
    tab: '' };   // what the server calls this tab, to distinguish its changes
  const listeners = new Set();
  let nRequests = 0, newestShown = 0;
  const notify = () => listeners.forEach(listener => listener(session));
  session.subscribe = listener => {
    listeners.add(listener);
    if (session.kit) listener(session);
    return () => listeners.delete(listener);
  };
  const setKit = (kit, request) => {
    if (request < newestShown) return;   // a later request was answered first
    newestShown = request;
    session.kit = kit;
    session.slots = kit.slots.sort((a, b) => SLOT_ORDER.indexOf(a.slot) - SLOT_ORDER.indexOf(b.slot));
    session.bySlot = new Map(kit.slots.map(slot => [slot.slot, slot]));
    session.hits = new Map(kit.slots.flatMap(slot => slot.hits.map(hit => [hit.id, hit])));
  };
  const load = async (path, options) => {
    const request = ++nRequests;
    session.nPending += 1;
    notify();
    try {
      setKit(await fetchJson(`/api/kit${path}`, options), request);
      session.error = '';
      return true;
    } catch (error) {
      session.error = error.message;
      return false;
    } finally {
      session.nPending -= 1;
      notify();
    }
  };
  session.refresh = ({ kit_revision: revision, tab }) => {
    session.tab = tab;
    return session.kit && revision === session.kit.revision ? Promise.resolve(true) : load('');
  };
  session.apply = async (op, args = {}) => {
    const body = JSON.stringify({ op, ...args, tab: session.tab, revision: session.kit?.revision });
    const headers = { 'Content-Type': 'application/json' };
    if (await load('/action', { method: 'POST', headers, body })) return true;
    const { error } = session;   // shown with the kit as it is now
    await load('');
    session.error = error;
    notify();
    return false;
  };
  document.addEventListener('visibilitychange', () => {   // another tab may have changed the kit
    if (!document.hidden && session.kit) load('');
  });
  return session;
}

export const kitSession = makeKitSession();

// Ctrl+Z, Ctrl+Shift+Z and Ctrl+Y in a view that shows the kit.
export function handleUndoKey(event) {
  if (!(event.ctrlKey || event.metaKey) || event.altKey) return false;
  const key = event.key.toLowerCase();
  const op = key === 'y' || (key === 'z' && event.shiftKey) ? 'redo' : key === 'z' ? 'undo' : null;
  if (!op) return false;
  consumeKey(event);
  kitSession.apply(op);
  return true;
}
