// Called by Streamlit when a view is mounted and whenever its data or the theme changes.

import { STYLE } from './constants.js';
import { mount as mountDrumReview } from './recordings/drum_review.js';
import { mount as mountRoleReview } from './recordings/role_review.js';
import { mount as mountTakeCut } from './recordings/take_cut.js';
import { mount as mountFaults } from './review/faults.js';
import { el } from './shared/dom.js';
import { addErrorBanner } from './shared/errors.js';
import { mount as mountWorkbench } from './workbench/workbench.js';

// By the name that the page gives a view. Each mounts once and returns {update(data), stop()}.
const VIEWS = { workbench: mountWorkbench, faults: mountFaults,
  drum_review: mountDrumReview, role_review: mountRoleReview, cut: mountTakeCut };
const mounted = new WeakMap();         // root -> {c, data, update, stop}

function mountView(c) {
  const root = c.parentElement, live = { c, data: c.data };
  const removeBanner = c.data.view === 'workbench' ? () => {} : addErrorBanner(root);
  root.prepend(el('style', {}, STYLE));
  const { update, stop } = VIEWS[c.data.view](root, live);
  return Object.assign(live, { update, stop: () => { removeBanner(); stop(); } });
}

export default function (c) {
  const root = c.parentElement;
  if (!mounted.has(root)) mounted.set(root, mountView(c));
  const live = mounted.get(root);
  Object.assign(live, { c, data: c.data });   // always the newest callbacks
  live.update(c.data);
  return () => { mounted.delete(root); live.stop(); };
}
