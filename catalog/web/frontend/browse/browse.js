// The view "listen": the map, the chosen hit beside it, the kit below.

import { ROLE_LABELS } from '../constants.js';
import { addRowDragging } from '../kit/drag.js';
import { makePadStrip } from '../kit/pads.js';
import { makeMap } from '../map/map.js';
import { unpackPoints } from '../map/points.js';
import { makeMapToolbar } from '../map/toolbar.js';
import { engine } from '../playback/audio_engine.js';
import { sampler } from '../playback/kit_sampler.js';
import { annotations, redoAnnotation, undoAnnotation } from '../shared/annotations.js';
import { consumeKey, el, hasModifier, isDark, isTyping } from '../shared/dom.js';
import { fetchBytes, fetchJson } from '../shared/http.js';
import { handleUndoKey, kitSession } from '../shared/kit_session.js';
import { makeHitPanel } from './hit_panel.js';
import { makeSelection } from './selection.js';

const SETTLE_MS = 200;                 // a walk by key sends one request, not one a step
const ANNOTATED_MS = 1500;             // many annotations in a row rerun the page once
const NAME_MS = 120;                   // before the name of a hovered hit is fetched

async function describeHit(id) {
  const hit = await fetchJson(`/api/about/${id}`);
  return `${hit.name} — ${ROLE_LABELS[hit.role]}, ${hit.session || 'unknown session'}`;
}

function makeReporter(setState) {      // values sent to Streamlit, each once it no longer changes
  const timers = {};
  const report = (name, value, ms = SETTLE_MS) => {
    clearTimeout(timers[name]);
    timers[name] = setTimeout(() => setState(name, value), ms);
  };
  report.end = () => Object.values(timers).forEach(clearTimeout);
  return report;
}

function makeLoader({ map, panel, selection, showError }) {   // fetches points and masks that changed
  const versions = { points: null, mask: null };
  const loadPoints = async ({ version, chosen }) => {
    const points = unpackPoints(await fetchBytes(`/api/points/${version}`));
    const selectedIds = selection.ids(), idsBefore = map.points?.ids.join();
    map.setPoints(points);
    selection.restore(selectedIds);
    map.view.chosen ??= chosen;
    const reload = points.ids.join() !== idsBefore;
    if (points.rowOf.has(map.view.chosen)) panel.show(map.view.chosen, { reload });
    map.draw();
  };
  const loadMask = async version => {
    const body = version ? await fetchBytes(`/api/mask/${version}`).catch(() => null) : null;
    if (versions.mask === version) map.setMask(body && new Uint8Array(body));
  };
  return async data => {
    if (versions.points !== data.version) {
      versions.points = data.version;
      await loadPoints(data).catch(showError);
    }
    if (versions.mask !== data.mask_version) {
      versions.mask = data.mask_version;
      await loadMask(versions.mask);
    }
  };
}

export function mount(root, live) {
  const view = root.querySelector('.view'), status = el('p', { class: 'status', 'aria-live': 'polite' });
  const report = makeReporter((name, value) => live.c.setStateValue(name, value));
  const setStatus = text => { status.textContent = text; };
  const showError = error => setStatus(error.message);
  let nameTimer = 0;

  const panel = makeHitPanel({ choose: id => map.choose(id), status: setStatus,
    assign: (slot, id) => kitSession.apply('assign', { slot, id }),
    load: async id => { const hit = map.hitOf(id); if (hit) await engine.loadQuietly(hit); } });
  const map = makeMap(live.data.name, {
    choose: id => { panel.show(id); report('chosen', id); },
    hover: id => {
      clearTimeout(nameTimer);
      if (id === null) { setStatus(''); return; }
      nameTimer = setTimeout(() => describeHit(id).then(setStatus, () => {}), NAME_MS);
    },
    select: rows => {
      selection.select(rows);
      if (!rows.length) setStatus('No hit is inside the lasso.');
    },
    release: () => selection.release(),
  });
  const toolbar = makeMapToolbar(map, { color: name => report('color', name),
    select: rows => { map.dropLine(); selection.select(rows); } });
  const selection = makeSelection(map, { name: describeHit, error: showError,
    released: () => toolbar.setLasso(false) });
  const strip = makePadStrip(() => panel.hitOfRow(root.activeElement?.closest?.('.row'))?.id ?? panel.id);
  view.replaceChildren(el('div', { class: 'listen' },
    el('div', { class: 'left' }, toolbar.box, map.box, status, selection.box, toolbar.legend, panel.numbers),
    panel.box), strip.box);

  view.addEventListener('keydown', event => {
    if (isTyping(event) || (event.target.closest?.('.pads') && handleUndoKey(event))) return;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === 'z') {
      consumeKey(event);
      (event.shiftKey ? redoAnnotation() : undoAnnotation()).catch(showError);
    }
    if (!hasModifier(event) && !panel.handleKey(event)) strip.handleKey(event);
  });
  const endDragging = addRowDragging(view, panel, strip);
  const onAnnotated = (changed, text) => {
    [map, panel, selection].forEach(part => part.applyAnnotations(changed));
    toolbar.drawLegend();
    setStatus(text);
    report('annotated', Date.now(), ANNOTATED_MS);   // the search form lists new tags and marks
  };
  annotations.listeners.add(onAnnotated);

  const load = makeLoader({ map, panel, selection, showError });
  let isLinked = false;                // the color of a link is applied once
  const update = async data => {
    map.setDark(isDark(view));
    kitSession.refresh(data);
    if (!isLinked && data.color) toolbar.setColor(data.color);
    isLinked = true;
    await load(data);
    toolbar.drawLegend();
    if (data.probe) {
      globalThis.__audition = { engine, map, panel, strip, kitSession, sampler, selection, annotations };
    }
  };
  const stop = () => {
    annotations.listeners.delete(onAnnotated);
    clearTimeout(nameTimer);
    [strip.stop, endDragging, panel.end, selection.stop, map.end, report.end].forEach(end => end());
  };
  return { update, stop };
}
