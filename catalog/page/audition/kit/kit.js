// The view "kit": its places as large cards, played by the letters.

MOUNTS.kit = (root, live) => {
  const pads = makePads({ act: (op, slot) => live.c.setTriggerValue('act', { op, slot, at: Date.now() }) }, true);
  const room = root.querySelector('.room');
  room.tabIndex = 0;
  room.setAttribute('aria-label', 'Kit: letters play its places');
  room.replaceChildren(pads.box);
  room.addEventListener('keydown', event => { if (!typing(event) && !event.ctrlKey && !event.metaKey) pads.key(event); });
  return { update: data => pads.update(data.kit), stop() {} };
};
