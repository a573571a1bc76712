// Dragging a hit by pointer: from a row, a card or a stroke to a slot or a layer. A finger has to rest
// first, because moving it scrolls the page.

import { el } from '../shared/dom.js';

const SLIP_PX = 6;                     // a hand that presses is never quite still
const HOLD_MS = 350;                   // common for a long press; no source
const GHOST_OFFSET_PX = 12;            // from the pointer to what is dragged

// A press that dragged something must not also click what it began on.
function swallowClick() {
  const swallow = click => { click.stopPropagation(); click.preventDefault(); };
  window.addEventListener('click', swallow, { capture: true, once: true });
  setTimeout(() => window.removeEventListener('click', swallow, { capture: true }), 0);
}

// rules: {source(node) -> {id, name, ...} or null, target(node, dragged) -> element or null,
//         drop(target, dragged), begin(dragged), end()}; the result removes the listeners.
export function addDragging(view, { source, target, drop, begin = () => {}, end = () => {} }) {
  let press = null, ghost = null, over = null;

  const setOver = node => {
    if (node === over) return;
    over?.classList.remove('over');
    over = node;
    over?.classList.add('over');
  };
  const move = event => {
    const x = event.clientX + GHOST_OFFSET_PX, y = event.clientY + GHOST_OFFSET_PX;
    ghost.style.transform = `translate(${x}px, ${y}px)`;
    const node = view.getRootNode().elementFromPoint(event.clientX, event.clientY);
    setOver(target(node, press.dragged));
  };
  const start = event => {
    press.isDragging = true;
    ghost = el('div', { class: 'dragged', 'aria-hidden': 'true' }, press.dragged.name);
    view.append(ghost);
    view.classList.add('dragging');
    begin(press.dragged);
    move(event);
  };
  const finish = () => {
    clearTimeout(press?.timer);
    ghost?.remove();
    setOver(null);
    view.classList.remove('dragging');
    if (press?.isDragging) end();
    press = ghost = null;
  };

  const onDown = event => {
    if (event.button !== 0 || press) return;
    const dragged = source(event.composedPath?.()[0] ?? event.target);
    if (!dragged) return;
    const isTouch = event.pointerType !== 'mouse';
    press = { dragged, x: event.clientX, y: event.clientY, isDragging: false, isTouch };
    if (isTouch) press.timer = setTimeout(() => press && start(event), HOLD_MS);
  };
  const onMove = event => {
    if (!press) return;
    if (press.isDragging) { event.preventDefault(); move(event); return; }
    if (Math.hypot(event.clientX - press.x, event.clientY - press.y) < SLIP_PX) return;
    if (press.isTouch) finish();       // a finger that moves at once scrolls
    else start(event);
  };
  const onUp = () => {
    if (!press) return;
    const { isDragging, dragged } = press, dropTarget = over;
    finish();
    if (!isDragging) return;
    swallowClick();
    if (dropTarget) drop(dropTarget, dragged);
  };
  const onKey = event => { if (event.key === 'Escape' && press?.isDragging) finish(); };
  const onTouch = event => { if (press?.isDragging) event.preventDefault(); };   // keep the page in place

  const listeners = [['pointermove', onMove], ['pointerup', onUp], ['pointercancel', finish],
    ['keydown', onKey, true]];
  view.addEventListener('pointerdown', onDown);
  view.addEventListener('touchmove', onTouch, { passive: false });
  listeners.forEach(listener => window.addEventListener(...listener));
  return () => {
    finish();
    listeners.forEach(listener => window.removeEventListener(...listener));
  };
}
