// Called by Streamlit when a view is mounted and whenever its data changes.

const LIVE = new WeakMap();

export default function (c) {
  const root = c.parentElement;
  let live = LIVE.get(root);
  if (!live) {
    live = { c, data: c.data };
    LIVE.set(root, live);
    root.prepend(el('style', {}, STYLE));
    Object.assign(live, MOUNTS[c.data.view](root, live));
  }
  live.c = c;                          // always the newest callbacks
  live.data = c.data;
  live.update(c.data);
  return () => { LIVE.delete(root); live.stop(); };
}
