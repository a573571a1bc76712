// The kit under the fingers: a strip below the map, larger cards in the kit's own part.

const PAD_KEYS = 'asdfghjklzxcvbnm';
const MAX_LAYERS = 8;                  // shown per card; the export holds all

function makePads(ask, large) {        // ask: {act(op, slot)}
  const box = el('section', { class: large ? 'pads large' : 'pads', 'aria-label': 'The kit' });
  const p = { box, slots: [] };
  let seen = '';

  const strike = (slot, hit) => {
    if (!hit) return;
    engine.strike(hit, slot.choke);
    const pad = box.querySelector(`[data-slot="${slot.slot}"]`);
    pad?.classList.add('struck');
    setTimeout(() => pad?.classList.remove('struck'), 120);
  };
  const padOf = (slot, key) => {
    const hit = slot.hits[0];
    return el('button', { type: 'button', class: 'pad', 'data-slot': slot.slot,
      'aria-label': `${slot.label}: ${hit.name}, key ${key}`,
      // at once on press; a key press on the button arrives as a click without a pointer
      onpointerdown: event => { if (event.pointerType === 'mouse') strike(slot, hit); },
      onclick: event => { if (event.detail === 0 || event.pointerType !== 'mouse') strike(slot, hit); } },
    el('kbd', {}, key), el('span', { class: 'slot' }, markIcon(hit.role), slot.label),
    large ? outlineCanvas(hit, 150, 36) : null, el('span', { class: 'name', dir: 'auto' }, hit.name));
  };
  const cardOf = (slot, key) => el('div', { class: slot.locked ? 'card locked' : 'card' }, padOf(slot, key),
    el('div', { class: 'deeds' },
      el('button', { type: 'button', 'aria-pressed': String(slot.locked), onclick: () => ask.act('lock', slot.slot),
        title: 'A locked hit stays when the rest is filled' }, slot.locked ? 'Locked' : 'Lock'),
      el('button', { type: 'button', disabled: slot.locked, onclick: () => ask.act('swap', slot.slot),
        title: 'Take the next best hit; a locked one stays' }, 'Next best'),
      el('button', { type: 'button', onclick: () => ask.act('clear', slot.slot) }, 'Take out')),
    slot.hits.length > 1 ? el('p', { class: 'layers' }, `${slot.hits.length} strokes: `,
      ...slot.hits.slice(0, MAX_LAYERS).map((hit, k) => el('button', { type: 'button', title: hit.name,
        'aria-label': `${slot.label}, stroke ${k + 1}: ${hit.name}`, onclick: () => strike(slot, hit) }, String(k + 1))),
      slot.hits.length > MAX_LAYERS ? ` and ${slot.hits.length - MAX_LAYERS} more` : '') : null,
    slot.why.length ? el('ul', { class: 'why' }, ...slot.why.map(why => el('li', {}, why))) : null);

  p.update = slots => {
    const now = JSON.stringify(slots);
    if (now === seen) return;
    seen = now;
    p.slots = slots;
    const held = box.getRootNode().activeElement?.closest?.('[data-slot]')?.dataset.slot;
    const made = slots.map((slot, k) => (large ? cardOf : padOf)(slot, PAD_KEYS[k] ?? ''));
    box.replaceChildren(
      ...(large ? [] : [el('h3', {}, 'Kit')]),
      ...(made.length ? made : [el('p', { class: 'none' }, large
        ? 'The kit is empty. Choose a hit under “Listen” and put it in a place, or press “Fill the rest”.'
        : 'Empty so far: choose a hit and press “Put in kit”. It is then played from here by the letters a s d f …')]));
    if (large) fillOutlines(box);
    if (held && box.querySelector(`[data-slot="${held}"]`)) box.querySelector(`[data-slot="${held}"]`).focus();  // letters go on playing
    slots.forEach(slot => slot.hits[0] && engine.load(slot.hits[0]).catch(() => {}));
  };
  p.key = event => {
    const slot = p.slots[PAD_KEYS.indexOf(event.key)];
    if (!slot || event.repeat) return false;
    ownKey(event);
    strike(slot, slot.hits[0]);
    return true;
  };
  return p;
}
