// The view "listen": the map, the chosen hit beside it, the kit below.

const SETTLE_MS = 200;                 // walking by key must not ask the server at each step

MOUNTS.listen = (root, live) => {
  const say = { wait: 0 };
  const tell = id => {
    clearTimeout(say.wait);
    say.wait = setTimeout(() => live.c.setStateValue('chosen', id), SETTLE_MS);
  };
  const status = el('p', { class: 'status', 'aria-live': 'polite' });
  const act = (op, slot, id) => live.c.setTriggerValue('act', { op, slot, id, at: Date.now() });
  const chosen = makeChosen({ choose: id => live.map.choose(id), assign: (slot, id) => act('assign', slot, id),
    trouble: text => { status.textContent = text; },
    sounding: id => { const hit = live.map.hitOf(id); return hit && engine.load(hit).catch(() => {}); } });
  let hovered = 0;
  live.map = makeMap(root, live.data.name, {
    choose: id => { chosen.show(id); tell(id); },
    hover: id => {
      clearTimeout(hovered);
      if (id === null) { status.textContent = ''; return; }
      hovered = setTimeout(async () => {
        const answer = await fetch(`/api/about/${id}`);
        if (answer.ok) { const row = await answer.json(); status.textContent = `${row.name} — ${WORDS.roles[row.role]}, ${row.session}`; }
      }, 120);
    },
  });
  const map = live.map;
  const color = el('select', { 'aria-label': 'Color shows', onchange: () => { map.view.color = color.value; map.draw(); legend(); } },
    ...[['role', 'role'], ['session', 'session'], ['brightness', 'brightness'], ['length', 'length'], ['body', 'body pitch']]
      .map(([value, text]) => el('option', { value }, text)));
  color.value = map.view.color;
  const rest = el('input', { type: 'checkbox', checked: engine.rest, onchange: () => engine.setRest(rest.checked) });
  const level = el('input', { type: 'range', min: -48, max: 0, step: 1, value: engine.levelDb, 'aria-label': 'Level of everything, dB',
    oninput: () => { engine.setLevel(Number(level.value)); shown.textContent = `${level.value} dB`; } });
  const shown = el('span', { class: 'db' }, `${engine.levelDb} dB`);
  const bar = el('div', { class: 'bar' },
    el('label', {}, 'color: ', color),
    el('label', { class: 'tick' }, rest, 'play on rest'),
    el('label', { class: 'level' }, 'level', level, shown),
    el('span', { class: 'zooms' }, ...[['+', 'Zoom in', () => map.zoom(1.5)], ['−', 'Zoom out', () => map.zoom(1 / 1.5)], ['all', 'Show the whole map', map.all]]
      .map(([text, label, go]) => el('button', { type: 'button', 'aria-label': label, title: label, onclick: go }, text))));
  const key = el('ul', { class: 'legend', 'aria-label': 'What the marks mean' });
  function legend() {
    if (!map.points) return;
    const counts = new Map();
    for (let k = 0; k < map.points.n; k++) if (!map.mask || map.mask[k >> 3] & (128 >> (k & 7))) counts.set(map.points.role[k], (counts.get(map.points.role[k]) ?? 0) + 1);
    const items = [...counts].sort((a, b) => b[1] - a[1]).map(([role, n]) => el('li', {},
      markIcon(WORDS.order[role], map.view.color === 'role' ? undefined : inkOf(root.querySelector('.room') ?? root.host ?? document.body)),
      `${WORDS.roles[WORDS.order[role]]} `, el('b', {}, String(n))));
    if (map.view.color === 'session') items.push(...map.points.sessions.map((name, k) => el('li', { class: 'swatch' },
      el('i', { style: `background:${CYCLE[k % CYCLE.length]}` }), el('bdi', {}, name || 'unknown'))));
    else if (map.view.color !== 'role') items.push(el('li', { class: 'swatch' }, ({ brightness: 'dark', length: 'short', body: 'low' })[map.view.color],
      el('i', { class: 'ramp', style: `background:linear-gradient(90deg,${RAMP.join(',')})` }), ({ brightness: 'bright', length: 'long', body: 'high' })[map.view.color]));
    key.replaceChildren(...items);
  }
  const pads = makePads({ act }, false);
  const room = root.querySelector('.room');
  room.replaceChildren(el('div', { class: 'listen' }, el('div', { class: 'left' }, bar, map.box, status, key, chosen.facts), chosen.box), pads.box);
  room.addEventListener('keydown', event => {
    if (typing(event)) return;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === 'z') {
      ownKey(event);
      (event.shiftKey ? sayAgain() : unsay()).catch(err => { status.textContent = err.message; });
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (!chosen.key(event)) pads.key(event);
  });
  const heard = (changed, text) => { map.said(changed); chosen.said(changed); legend(); status.textContent = text; };
  SAID_HEARD.add(heard);
  const stop = () => { SAID_HEARD.delete(heard); chosen.end(); map.end(); clearTimeout(say.wait); clearTimeout(hovered); };
  let loaded = null, masked = null;
  const update = async data => {
    map.words = WORDS; map.roles = WORDS.order;
    map.setDark(isDark(room));
    pads.update(data.kit);
    if (loaded !== data.version) {
      loaded = data.version;
      const answer = await fetch(`/api/points/${data.version}`);
      if (!answer.ok) { status.textContent = await answer.text(); return; }
      map.setPoints(unpackPoints(await answer.arrayBuffer()));
      map.regions = map.points.regions;
      if (map.view.chosen === null && data.chosen !== null) map.view.chosen = data.chosen;
      if (map.view.chosen !== null && map.points.row.has(map.view.chosen)) chosen.show(map.view.chosen, true);
      map.draw();
    }
    if (masked !== data.mask_version) {
      masked = data.mask_version;
      const answer = masked ? await fetch(`/api/mask/${masked}`) : null;
      if (masked === data.mask_version) map.setMask(answer?.ok ? new Uint8Array(await answer.arrayBuffer()) : null);
    }
    legend();
    if (data.probe) globalThis.__audition = { engine, map, chosen, pads, said: SAID_STEPS };
  };
  return { update, stop };
};
