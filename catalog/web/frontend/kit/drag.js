// Carrying a hit by pointer: from a row, a card or a stroke to a place or a layer. A finger has to
// rest first, because moving it scrolls the page.

import { el } from '../shared/dom.js';
import { table } from '../shared/kit_session.js';

const CARRY_PX = 6;                    // a hand that presses is never quite still
const HOLD_MS = 350;                   // common for a long press; no source

// what: {from(node) -> {node, load: {id, name, ...}} or null, over(node, load) -> target or null,
//        begin(load), drop(target, load), end()}
function makeCarrying(room, what) {
  let press = null, ghost = null, over = null;
  const root = () => room.getRootNode();
  const path = event => event.composedPath?.()[0] ?? event.target;

  const begin = event => {
    press.on = true;
    ghost = el('div', { class: 'carried', 'aria-hidden': 'true' }, press.load.name);
    room.append(ghost);
    room.classList.add('carrying');
    what.begin?.(press.load);
    move(event);
  };
  const move = event => {
    const box = room.getBoundingClientRect();
    ghost.style.transform = `translate(${event.clientX - box.left + 12}px, ${event.clientY - box.top + 12}px)`;
    const found = what.over(root().elementFromPoint(event.clientX, event.clientY), press.load);
    if (found === over) return;
    over?.classList.remove('over');
    over = found;
    over?.classList.add('over');
  };
  const end = () => {
    clearTimeout(press?.wait);
    ghost?.remove();
    over?.classList.remove('over');
    room.classList.remove('carrying');
    if (press?.on) what.end?.();
    press = ghost = over = null;
  };
  const onDown = event => {
    if (event.button !== 0 || press) return;
    const found = what.from(path(event));
    if (!found) return;
    press = { load: found, x: event.clientX, y: event.clientY, on: false, touch: event.pointerType !== 'mouse' };
    if (press.touch) press.wait = setTimeout(() => press && begin(event), HOLD_MS);
  };
  const onMove = event => {
    if (!press) return;
    if (press.on) { event.preventDefault(); move(event); return; }
    if (Math.hypot(event.clientX - press.x, event.clientY - press.y) < CARRY_PX) return;
    if (press.touch) end();            // a finger that moves at once scrolls
    else begin(event);
  };
  const onUp = event => {
    if (!press) return;
    const { on, load } = press, target = over;
    end();
    if (!on) return;
    // the press that carried something must not also click what it began on
    const swallow = click => { click.stopPropagation(); click.preventDefault(); };
    window.addEventListener('click', swallow, { capture: true, once: true });
    setTimeout(() => window.removeEventListener('click', swallow, { capture: true }), 0);
    if (target) what.drop(target, load);
  };
  const onKey = event => { if (event.key === 'Escape' && press?.on) end(); };
  const onTouch = event => { if (press?.on) event.preventDefault(); };   // no scrolling while carrying
  room.addEventListener('pointerdown', onDown);
  room.addEventListener('touchmove', onTouch, { passive: false });
  window.addEventListener('pointermove', onMove);
  window.addEventListener('pointerup', onUp);
  window.addEventListener('pointercancel', end);
  window.addEventListener('keydown', onKey, true);
  return { stop() {
    end();
    window.removeEventListener('pointermove', onMove);
    window.removeEventListener('pointerup', onUp);
    window.removeEventListener('pointercancel', end);
    window.removeEventListener('keydown', onKey, true);
  } };
}

// Rows of a list, and the name of the chosen hit, carried to a place of the strip.
const carryRows = (room, chosen, strip) => makeCarrying(room, {
  from: node => {
    const id = Number(node.closest?.('.row[data-id]')?.dataset.id ?? (node.closest?.('.chosen h2') ? chosen.id : NaN));
    const row = chosen.rows && [chosen.rows.self, ...chosen.rows.alternates, ...chosen.rows.similar].find(r => r.id === id);
    return row ? { id, name: row.name, role: row.role } : null;
  },
  over: node => node?.closest?.('.pads [data-slot]') ?? null,
  begin: load => strip.carry(load),
  end: () => strip.carry(null),
  drop: (target, load) => table.act('assign', { slot: target.dataset.slot, id: load.id }),
});

export { makeCarrying, carryRows };
