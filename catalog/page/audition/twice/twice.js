// Groups of files that hold the same recording, side by side, to be heard before one is set aside.

function makeTwice(ask) {              // ask: {pick(ids)}
  const box = el('section', { class: 'twice', 'aria-label': 'What is there twice' });
  const p = { box, picked: new Set() };
  let seen = '';

  const lineOf = (row, lead) => el('div', { class: 'line' }, lead,
    el('button', { type: 'button', class: 'row', onclick: () => engine.play(row), 'aria-label': `Play ${row.name}` },
      outlineCanvas(row, 130, 30), el('span', { class: 'words' },
        el('span', { class: 'name', dir: 'auto' }, row.name),
        el('span', { class: 'why', dir: 'auto' }, row.words))));
  const groupOf = group => el('div', { class: 'group' },
    el('p', { class: 'reason' }, group.reason),
    lineOf(group.keep, el('span', { class: 'stays' }, 'stays')),
    ...group.others.map(row => {
      const tick = el('input', { type: 'checkbox', checked: p.picked.has(row.id), onchange: () => {
        p.picked[tick.checked ? 'add' : 'delete'](row.id);
        ask.pick([...p.picked]);
      }, 'aria-label': `Set aside ${row.name}` });
      return el('div', { class: 'pair' }, lineOf(row, el('label', { class: 'tick' }, tick, 'set aside')),
        el('button', { type: 'button', class: 'both', onclick: () => engine.playBoth(group.keep, row) },
          'Play both, one after the other'));
    }));
  p.update = (groups, picked) => {
    p.picked = new Set(picked);
    const now = JSON.stringify(groups);
    if (now !== seen) {
      seen = now;
      box.replaceChildren(...groups.map(groupOf));
      fillOutlines(box);
    }
    box.querySelectorAll('.tick input').forEach((tick, k) => {
      const all = groups.flatMap(group => group.others);
      tick.checked = p.picked.has(all[k].id);
    });
  };
  return p;
}

MOUNTS.twice = (root, live) => {
  const twice = makeTwice({ pick: ids => live.c.setStateValue('picked', ids) });
  root.querySelector('.room').replaceChildren(twice.box);
  return { update: data => twice.update(data.groups, data.picked), stop() {} };
};
