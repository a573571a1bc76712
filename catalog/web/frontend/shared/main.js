// Called by Streamlit when a view is mounted and whenever its data changes.

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
