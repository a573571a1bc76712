// Called by Streamlit when a view is mounted and whenever its data changes.

import { STYLE } from './constants.js';
import { TROUBLE_S } from './playback/audio_engine.js';
import { el } from './shared/dom.js';

import { mount as mount_listen } from './browse/browse.js';
import { mount as mount_kit } from './kit/kit.js';
import { mount as mount_twice } from './review/duplicates.js';
import { mount as mount_round } from './recordings/role_review.js';
import { mount as mount_faults } from './review/faults.js';
import { mount as mount_cut } from './recordings/take_cut.js';

const MOUNTS = { listen: mount_listen, kit: mount_kit, twice: mount_twice, round: mount_round, faults: mount_faults, cut: mount_cut };
const LIVE = new WeakMap();

export default function (c) {
  const root = c.parentElement;
  let live = LIVE.get(root);
  if (!live) {
    live = { c, data: c.data };
    LIVE.set(root, live);
    live.trouble = showTrouble(root);
    root.prepend(el('style', {}, STYLE));
    Object.assign(live, MOUNTS[c.data.view](root, live));
  }
  live.c = c;                          // always the newest callbacks
  live.data = c.data;
  live.update(c.data);
  return () => { LIVE.delete(root); live.trouble.end(); live.stop(); };
}

function showTrouble(root) {
  const line = el('p', { class: 'trouble', role: 'alert', hidden: true });
  let timer = 0;
  const show = event => {
    line.textContent = event.detail;
    line.hidden = false;
    clearTimeout(timer);
    timer = setTimeout(() => { line.hidden = true; }, 1000 * TROUBLE_S);
  };
  document.addEventListener('hits-trouble', show);
  root.prepend(line);
  return { end() { clearTimeout(timer); document.removeEventListener('hits-trouble', show); } };
}
