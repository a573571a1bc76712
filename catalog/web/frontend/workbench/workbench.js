// The page as one component: the parts at the top, what is asked for at the left, the list and the map in
// the middle, the chosen hit at the right, what sounds and the kit at the bottom.

import { PARTS, SLOT_LABELS, SLOT_ROLES } from '../constants.js';
import { makeChosenPane } from '../chosen/chosen_pane.js';
import { makePickedHits } from '../chosen/picked_hits.js';
import { makeQueuePane } from '../duplicates/queue_pane.js';
import { scheme } from '../drawing/colors.js';
import { makeDrumsGrid } from '../find/drums_grid.js';
import { emptyQuestion } from '../find/question.js';
import { makeFindPane } from '../find/find_pane.js';
import { makeHitList } from '../find/hit_list.js';
import { makeMapPane } from '../find/map_pane.js';
import { addDragging } from '../kit/drag.js';
import { makeKitPane } from '../kit/kit_pane.js';
import { engine } from '../playback/audio_engine.js';
import { sampler } from '../playback/kit_sampler.js';
import { midiInput } from '../playback/midi_input.js';
import { phrasePlayer } from '../playback/phrase_player.js';
import { transport } from '../playback/transport.js';
import { actOfKey, annotations, redoAct, undoAct } from '../shared/annotations.js';
import { button, consumeKey, el, hasModifier, isDark, isTyping } from '../shared/dom.js';
import { kitSession } from '../shared/kit_session.js';
import { makeCommands } from './commands.js';
import { followAddress, questionText, readAddress } from './address.js';
import { addFileDrops } from './file_drops.js';
import { makeKitBar, putInSlot } from './kit_bar.js';
import { makeLoader } from './loader.js';
import { makePlayingBar } from './playing_bar.js';
import { makeState } from './state.js';

const LAYOUT_LABELS = { list: 'List', both: 'List and map', map: 'Map', drums: 'Drums' };
const PANE_LABELS = { ask: 'Ask', chosen: 'Chosen hit' };
const NOTICE_MS = 9000;                // long enough to be read

function makeHead(state, { guide }) {
  const parts = Object.entries(PARTS).map(([part, label]) =>
    button(label, () => state.change({ part }), { 'data-part': part }));
  const layouts = Object.entries(LAYOUT_LABELS).map(([layout, label]) =>
    button(label, () => state.change({ layout, pane: 'hits' }), { 'data-layout': layout }));
  const panes = Object.entries(PANE_LABELS).map(([pane, label]) =>   // one at a time on a narrow screen
    button(label, () => state.change({ pane }), { 'data-pane': pane, class: 'narrow' }));
  const views = el('div', { class: 'layouts', role: 'group', 'aria-label': 'Hits as' },
    panes[0], ...layouts, panes[1]);
  const box = el('header', {}, el('span', { class: 'brand' }, 'Drum hits'),
    el('nav', { 'aria-label': 'Parts' }, ...parts), views,
    button('?', guide, { class: 'guide', title: 'Commands and keys (? or Ctrl+K)', 'aria-label': '? Help' }));
  const draw = () => {
    parts.forEach(node => {
      if (node.dataset.part === state.part) node.setAttribute('aria-current', 'page');
      else node.removeAttribute('aria-current');
    });
    layouts.forEach(node => node.setAttribute('aria-pressed', String(node.dataset.layout === state.layout)));
    panes.forEach(node => node.setAttribute('aria-pressed', String(node.dataset.pane === state.pane)));
    views.hidden = state.part !== 'find';
  };
  const unsubscribe = state.subscribe(['part', 'layout', 'pane'], draw);
  draw();
  return { box, stop: unsubscribe };
}

function makeActions(state, changed) {          // what the parts of the page do to each other
  let timer = 0;
  const on = {};
  on.notice = text => {
    clearTimeout(timer);
    state.change({ notice: text });
    if (text && !state.isLost) timer = setTimeout(() => state.change({ notice: '' }), NOTICE_MS);
  };
  on.choose = id => {
    const hit = state.hitOf(id);
    if (hit) transport.play(hit);
    state.change({ chosen: id });
  };
  on.pick = ids => state.change({ picked: new Set(ids) });
  on.point = row => { if (row !== state.pointed) state.change({ pointed: row }); };
  on.narrow = ids => { state.ask({ drawn: ids }); on.pick([]); };
  on.draw = ids => {
    on.pick(ids);
    if (!ids.length) on.notice('No hit is inside the line.');
  };
  on.put = async (slot, hits) => {
    on.notice(`Putting ${hits[0].name} in ${SLOT_LABELS[slot]} …`);
    on.notice(await putInSlot(slot, hits));
    if (kitSession.bySlot.get(state.wanted?.slot)?.hits[0].id === hits[0].id) state.endLook();
  };
  on.act = async work => {             // an undo or a redo; the other parts show what it changed
    try {
      if (await work()) changed();
    } catch (error) { on.notice(error.message); }
  };
  on.stop = () => clearTimeout(timer);
  return on;
}

export function mount(root, live) {
  const view = root.querySelector('.view'), state = makeState();
  const { part, chosen, color, question } = readAddress(location.search);
  scheme.dark = isDark(view);
  Object.assign(state, { part, chosen, color, question, tab: live.data.tab, dark: scheme.dark,
    layoutState: '', isLost: false });
  const on = makeActions(state, () => live.c.setTriggerValue('changed', Date.now()));
  const picked = makePickedHits({ state, on });
  const release = () => { on.pick([]); map.map.dropLine(); map.setDrawing(false); };
  const list = makeHitList({ state, on }), map = makeMapPane({ state, on: { ...on, release }, name: 'find' });
  const find = makeFindPane({ state, preview: session => map.preview(session), address: questionText,
    notice: on.notice });
  const chosenPane = makeChosenPane({ state, on, picked }), playing = makePlayingBar({ state, on });
  const hitInFocus = () => chosenPane.pane.hitOfRow(root.activeElement?.closest?.('[data-hit]'))
    ?? state.hitOf(state.chosen);
  const kit = makeKitBar({ state, on: { ...on, hitInFocus } });
  const commands = makeCommands({ commands: listCommands(state, { on, release, map: () => map, find,
    guide: () => live.c.setTriggerValue('guide', Date.now()) }) });
  const head = makeHead(state, { guide: () => commands.open() });
  const drums = makeDrumsGrid({ state, on });
  const middle = el('div', { class: 'middle' }, list, map, drums);
  const main = el('main', { class: 'find' }, find, middle, chosenPane);
  const queue = makeQueuePane({ state, on: { ...on, acted: () => loader.look() } });
  const duplicates = el('main', { class: 'duplicates' }, queue);
  const kitPane = makeKitPane({ state, on: { ...on, find: id => {
    state.change({ part: 'find', pane: 'hits' });
    on.choose(id);
  }, chooseFor: slot => state.lookFor(slot, { ...emptyQuestion(), roles: SLOT_ROLES[slot] }) } });
  const kitPart = el('main', { class: 'kit-part' }, kitPane);
  view.classList.add('workbench');
  const foot = el('footer', {}, playing, kit);
  const shell = el('div', { class: 'shell' }, head.box, main, duplicates, kitPart, foot, commands);
  view.replaceChildren(shell);
  state.focusHits = () => (state.layout === 'map' ? map.map.front.focus()
    : state.layout === 'drums' ? drums.focusHits() : list.focusHits());

  const drawLayout = () => {
    main.hidden = state.part !== 'find';
    duplicates.hidden = state.part !== 'duplicates';
    kitPart.hidden = state.part !== 'kit';
    shell.dataset.part = state.part;
    middle.dataset.layout = state.layout;
    main.dataset.pane = state.pane;
  };
  const loader = makeLoader(state, on);
  const onAnnotated = (changed, text) => {   // [[id, role, mark], ...]
    const { columns } = state;
    for (const [id, role, mark] of changed) {
      const row = columns?.rowOf(id) ?? -1;
      if (row >= 0) { columns.points.role[row] = role; columns.points.mark[row] = mark; }
    }
    ['role', 'mark'].forEach(by => columns?.forgetOrder(by));
    chosenPane.pane.applyAnnotations(changed);
    map.map.draw();
    state.change({ annotated: Date.now(), question: state.question });
    on.notice(text);
  };
  annotations.listeners.add(onAnnotated);

  const handleKey = event => {
    if (event.key === 'Escape') {
      transport.stop();
      picked.sequence.stop();
      if (state.picked.size) release();
      return;
    }
    const target = event.composedPath()[0] ?? event.target;   // inside the shadow root of another part
    if (isTyping({ target }) || event.defaultPrevented) return;
    if (event.key === '?' || ((event.ctrlKey || event.metaKey) && event.key === 'k')) {
      consumeKey(event);
      commands.open();
      return;
    }
    const act = actOfKey(event);
    if (act) {
      consumeKey(event);
      on.act(act === 'redo' ? redoAct : () => undoAct());
      return;
    }
    if (hasModifier(event)) return;
    if (state.part === 'duplicates') { queue.handleKey(event); return; }
    if (state.part === 'kit') { kitPane.handleKey(event); return; }
    if (state.part !== 'find') return;
    if (event.key === '/') { consumeKey(event); find.focusWords(); return; }
    if (event.key.toLowerCase() === 'b') {
      consumeKey(event);
      if (event.shiftKey && transport.player.isRunning) transport.stop(); else transport.switchSide();
      return;
    }
    if (!chosenPane.pane.handleKey(event)) kit.handleKey(event);
  };
  const onKey = event => { if (!event.composedPath().includes(view)) handleKey(event); };
  view.addEventListener('keydown', handleKey);
  document.addEventListener('keydown', onKey);
  const ends = [followAddress(state), state.subscribe(['part', 'layout', 'pane'], drawLayout),
    state.subscribe(['part'], () => {
      if (state.part !== 'find') state.endLook();
      live.c.setStateValue('part', state.part);
    }),
    () => document.removeEventListener('keydown', onKey),
    addFileDrops({ notice: on.notice, search: file => chosenPane.pane.searchFrom(file),
      bring: path => {
        live.c.setTriggerValue('folder', path);
        state.change({ part: 'recordings' });
      } }),
    addDragging(view, { source: node => draggedHits(node, { state, chosenPane }),
      target: node => node?.closest?.('kit-bar [data-slot]') ?? null,
      begin: dragged => kit.setDragged(dragged.hits[0]), end: () => kit.setDragged(null),
      drop: (target, { hits }) => on.put(target.dataset.slot, hits) })];
  const onError = event => on.notice(event.detail);
  document.addEventListener('hits-error', onError);
  ends.push(() => document.removeEventListener('hits-error', onError));
  drawLayout();
  kitPane.draw();
  loader.look();

  const update = data => {
    state.tab = data.tab;
    scheme.dark = isDark(view);
    if (scheme.dark !== state.dark) state.change({ dark: scheme.dark, question: state.question });
    if (data.kit_revision !== undefined) kitSession.refresh(data);
    if (data.probe) {
      globalThis.__audition = { engine, state, map: map.map, panel: chosenPane.pane, picked, kitSession,
        sampler, transport, annotations, queue: queue.pane };
      globalThis.__kit = { engine, kitSession, sampler, phrasePlayer, midiInput, editor: kitPane.editor };
    }
  };
  const stop = () => {
    annotations.listeners.delete(onAnnotated);
    [...ends, head.stop, loader.stop, on.stop].forEach(end => end());
  };
  return { update, stop };
}

function listCommands(state, { on, release, map, find, guide }) {   // [label, key, what it does]
  const open = part => () => state.change({ part });
  const show = layout => () => state.change({ part: 'find', layout, pane: 'hits' });
  const inFind = act => () => { state.change({ part: 'find' }); act(); };
  return [['Guides', '', guide],
    ...Object.entries(PARTS).map(([part, label]) => [`Open ${label}`, '', open(part)]),
    ...Object.entries(LAYOUT_LABELS).map(([layout, label]) => [`Show hits as: ${label}`, '', show(layout)]),
    ['Search', '/', inFind(() => find.focusWords())],
    ['Clear the search', '', () => state.ask(emptyQuestion())],
    ['Clear the chosen hits', 'Esc', release], ['Stop every sound', 'Esc', transport.stop],
    ['Loop', '', () => transport.setLoops(!transport.loops)],
    ['Switch A/B', 'B', transport.switchSide], ['Undo', 'Ctrl+Z', () => on.act(() => undoAct())],
    ['Redo', 'Ctrl+Shift+Z', () => on.act(redoAct)],
    ['Draw around hits', '', inFind(() => map().setDrawing(true))],
    ['Show all of the map', '0', inFind(() => map().map.showAll())]];
}

function draggedHits(node, { state, chosenPane }) {   // one hit, or all that are chosen together
  const row = node.closest?.('[data-hit]'), isHeading = node.closest?.('chosen-hit h2');
  const hit = isHeading ? chosenPane.pane.shown : chosenPane.pane.hitOfRow(row);
  if (!hit || hit.outside) return null;
  const ids = state.picked.has(hit.id) ? [...state.picked] : [hit.id];
  const hits = ids.length > 1 ? ids.map(state.hitOf).filter(Boolean) : [hit];
  return { hits, name: hits.length > 1 ? `${hits.length} hits` : hit.name };
}
