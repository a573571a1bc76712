// The kit being built, one for the whole page: fetched from the server and changed through it.

import { SLOT_LABELS } from '../constants.js';
import { annotations } from './annotations.js';
import { fetchJson } from './http.js';

const SLOT_ORDER = Object.keys(SLOT_LABELS);   // keys run along the slots as they are shown
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
    if (kit.acts) annotations.acts = kit.acts;
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
  session.reload = () => load('');
  document.addEventListener('visibilitychange', () => {   // another tab may have changed the kit
    if (!document.hidden && session.kit) load('');
  });
  return session;
}

export const kitSession = makeKitSession();
annotations.kit.asked = () => `?${new URLSearchParams(
  { tab: kitSession.tab, revision: kitSession.kit?.revision ?? '' })}`;
annotations.kit.moved = () => kitSession.reload();
