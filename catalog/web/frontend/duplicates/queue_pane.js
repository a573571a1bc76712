// Duplicates as a queue: classes and groups at the left, one group at a time beside them, decided by keys.

import { drawOutlines, outlineCanvas } from '../drawing/outlines.js';
import { makeRest } from '../playback/rest.js';
import { transport } from '../playback/transport.js';
import { button, consumeKey, el } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { formatSeconds } from '../shared/format.js';
import { fetchJson } from '../shared/http.js';
import { makeOverlay } from './overlay.js';
import { countFiles, makeQuestions, makeSummary } from './summary.js';

const KINDS = { certain: 'Certain', likely: 'Likely', doubt: 'Doubts' };
const RUNNING_MS = 700, WATCH_MS = 5000;   // between two looks at the queue
const WAVE = [110, 30];                // CSS pixels
const MAX_LISTED = 500;                // groups named at the left; the keys reach all
const DOUBT = 'Two strokes of one drum can be as similar: compare their attack and decay.';
const rest = makeRest();

const post = (path, body) => fetchJson(path, { method: 'POST', body: JSON.stringify(body) });
const keyOf = group => [group.keep, ...group.others].map(hit => hit.id).sort((a, b) => a - b).join();

function makeMember(hit, k, { isKept, isTurned, on }) {
  const share = hit.evidence === undefined ? '' : ` · the same to ${(100 * hit.evidence).toFixed(1)} %`;
  const row = el('button', { type: 'button', class: 'row', 'data-hit': hit.id, title: hit.session,
    onclick: () => on.play(hit),
    onpointerenter: event => { if (event.pointerType === 'mouse') rest.on(hit); },
    onpointerleave: () => rest.on(null) },
  el('kbd', {}, String(k + 1)), outlineCanvas(hit, ...WAVE), el('span', { class: 'words' },
    el('bdi', { class: 'name' }, hit.name), el('span', { class: 'why' },
      `${hit.format}, ${formatSeconds(hit.length_s)}, in `, el('bdi', {}, hit.folder), share),
    hit.kits.length
      ? el('span', { class: 'note' }, 'in the kit ', el('bdi', {}, hit.kits.join(', '))) : null));
  return el('li', { class: isKept ? 'member kept' : isTurned ? 'member turned' : 'member' }, row,
    isKept ? el('span', { class: 'stays' }, on.isPair ? '' : 'kept') : el('span', { class: 'member-actions' },
      on.isPair ? '' : button('Keep this', () => on.keep(hit), { 'aria-label': `Keep this: ${hit.name}` }),
      on.isPair ? '' : button('Not the same', () => on.differ(hit),
        { 'aria-label': `Not the same: ${hit.name}` })));
}

// on: {notice(text), acted()}
function build(box, { state, on }) {
  const queue = { groups: [], pairs: [], running: false, share: 0, revision: null, error: '' };
  const pane = { queue, kind: 'certain', key: '', group: null, overlay: null };
  let timer = 0, turned = 0, summary = null, drawn = '', isBusy = false;
  const left = el('div', { class: 'queue-list' }), middle = el('div', { class: 'queue-group' });
  box.setAttribute('role', 'region');
  box.setAttribute('aria-label', 'Duplicates');
  box.replaceChildren(left, middle);
  box.pane = pane;

  const all = () => [...queue.groups, ...queue.pairs];
  const inKind = kind => all().filter(group => group.kind === kind);
  const place = () => inKind(pane.kind).findIndex(group => keyOf(group) === pane.key);

  const show = (kind, k) => {
    const groups = inKind(kind);
    pane.kind = kind;
    pane.group = groups.length ? groups[Math.max(0, Math.min(groups.length - 1, k))] : null;
    pane.key = pane.group ? keyOf(pane.group) : '';
    turned = 0;
    summary = null;
    draw();
  };
  const step = by => show(pane.kind, place() + by);

  // Do something with the present group, then show the one that follows it.
  const act = async (work, { leaves = true } = {}) => {
    if (isBusy) return;                // a double press is one act
    isBusy = true;
    const k = Math.max(0, place());
    try {
      const answer = await work();
      if (answer.questions) { ask(answer.questions, work); return; }
      if (answer.text) on.notice(answer.text);
      transport.stop();
      on.acted();
      await look();
      if (leaves) show(pane.kind, k); else show(pane.kind, Math.max(0, place()));
    } catch (error) { on.notice(error.message); await look(); }
    finally { isBusy = false; }
  };
  const ask = (questions, work) => {
    isBusy = false;
    summary = makeQuestions(questions, { cancel: () => { summary = null; draw(); },
      go: answers => { summary = null; act(() => work(answers)); } });
    draw();
  };
  const setAside = ids => act((answers = {}) => post('/api/duplicates/set-aside', { ids, answers }));
  const decide = (action, options) => act(() => post('/api/duplicates/decide', action), options);
  const actions = {
    play: hit => transport.play(hit),
    keep: hit => decide({ op: 'keep', id: hit.id }, { leaves: false }),
    differ: hit => decide({ op: 'differ', first: pane.group.keep.id, second: hit.id }),
    turn: () => {
      const { keep, others } = pane.group, other = others[turned];
      if (transport.pair?.[0].id === keep.id && transport.pair[1].id === other.id) transport.switchSide();
      else transport.compare(keep, other);
    },
    setAside: () => (pane.kind === 'doubt'
      ? decide({ op: 'same', first: pane.group.keep.id, second: pane.group.others[0].id })
      : setAside(pane.group.others.map(hit => hit.id))),
  };
  const acceptAll = () => {
    const groups = inKind(pane.kind), hits = groups.flatMap(group => group.others);
    summary = makeSummary(hits, { cancel: () => { summary = null; draw(); },
      go: () => { summary = null; setAside(hits.map(hit => hit.id)); } });
    draw();
  };

  const drawLeft = () => {
    const focusedKind = left.contains(box.getRootNode().activeElement)
      && box.getRootNode().activeElement.dataset.kind;
    const kinds = Object.entries(KINDS).map(([kind, label]) => el('li', {}, el('button', { type: 'button',
      class: 'choice', 'data-kind': kind, 'aria-pressed': String(kind === pane.kind),
      onclick: () => show(kind, 0) }, el('span', { class: 'word' }, label),
    el('b', {}, inKind(kind).length.toLocaleString('en')))));
    const groups = inKind(pane.kind).slice(0, MAX_LISTED).map((group, k) => el('li', {}, el('button', {
      type: 'button', class: 'choice', 'aria-current': String(keyOf(group) === pane.key),
      onclick: () => show(pane.kind, k) },
    el('bdi', { class: 'word' }, group.keep.name), el('b', {}, String(group.others.length + 1)))));
    left.replaceChildren(el('h2', {}, 'Duplicates'),
      queue.running ? el('p', { class: 'none', role: 'status' },
        `Comparing hits that sound alike: ${queue.share} %. You may leave; it goes on.`) : '',
      queue.error ? el('p', { role: 'alert' }, queue.error) : '',
      el('ul', { class: 'choices kinds' }, ...kinds), el('ul', { class: 'choices groups' }, ...groups),
      el('div', { class: 'actions' }, el('a', { href: '/api/duplicates/report', download: 'duplicates.txt' },
        'Report as text')));
    if (focusedKind) left.querySelector(`[data-kind="${focusedKind}"]`)?.focus();
  };
  const drawGroup = () => {
    pane.overlay?.end();
    pane.overlay = null;
    const { group } = pane, n = inKind(pane.kind).length;
    if (summary) { middle.replaceChildren(summary); summary.querySelector('button')?.focus(); return; }
    if (!group) {
      middle.replaceChildren(el('p', { class: 'none' }, queue.running ? 'Nothing found so far.'
        : `No ${KINDS[pane.kind].toLowerCase()}${pane.kind === 'doubt' ? '' : ' duplicates'}`
          + (all().length ? '.' : ' in the catalog.')));
      return;
    }
    const isPair = pane.kind === 'doubt', { keep, others } = group;
    turned = Math.min(turned, others.length - 1);
    pane.overlay = makeOverlay(keep, others[turned]);
    const key = (text, label, onclick, props = {}) =>
      el('button', { type: 'button', onclick, ...props }, el('kbd', {}, text), label);
    middle.replaceChildren(
      el('div', { class: 'queue-head' },
        el('h2', {}, isPair ? 'One recording or two?' : `The same recording in ${others.length + 1} files`),
        el('span', { class: 'none' }, `${place() + 1} of ${n}`),
        isPair ? '' : button(`Accept all ${pane.kind} …`, acceptAll)),
      el('p', { class: 'reason' }, group.reason || DOUBT),
      el('ol', { class: 'members' }, ...[keep, ...others].map((hit, k) => makeMember(hit, k,
        { isKept: k === 0, isTurned: k - 1 === turned, on: { ...actions, isPair } }))),
      pane.overlay.box,
      el('div', { class: 'actions decide' },
        key('T', 'A/B', actions.turn), key('X', isPair ? 'Two recordings' : 'Not the same',
          () => actions.differ(others[turned])),
        isPair ? '' : key('K', 'Keep the other', () => actions.keep(others[turned])),
        key('A', isPair ? 'One recording' : `Set ${countFiles(others.length)} aside`, actions.setAside,
          { class: 'main' }),
        key('←', 'Previous', () => step(-1)), key('→', 'Next', () => step(1))));
    drawOutlines(middle);
  };
  const draw = () => { drawLeft(); drawGroup(); };

  const look = async () => {
    clearTimeout(timer);
    if (state.part !== 'duplicates') return;
    try {
      const found = await fetchJson('/api/duplicates');
      Object.assign(queue, found);
      const text = JSON.stringify(found);
      if (text !== drawn && !summary) {
        drawn = text;
        const same = all().find(group => keyOf(group) === pane.key && group.kind === pane.kind);
        const isNew = JSON.stringify(same) !== JSON.stringify(pane.group);
        pane.group = same ?? null;
        if (!same) show(firstKind(), 0);
        else if (isNew) draw();
        else drawLeft();               // what is being compared is left alone while more is found
      }
    } catch (error) { on.notice(error.message); }
    timer = setTimeout(look, queue.running ? RUNNING_MS : WATCH_MS);
  };
  const firstKind = () => (inKind(pane.kind).length ? pane.kind
    : Object.keys(KINDS).find(kind => inKind(kind).length) ?? pane.kind);

  const KEYS = { t: actions.turn, x: () => actions.differ(pane.group.others[turned]), a: actions.setAside,
    k: () => pane.kind !== 'doubt' && actions.keep(pane.group.others[turned]),
    ArrowRight: () => step(1), ArrowLeft: () => step(-1), n: () => step(1),
    r: () => pane.overlay.playResidual(),
    ' ': () => actions.play(pane.group.keep),
    ArrowDown: () => turn(1), ArrowUp: () => turn(-1) };
  const turn = by => {                 // another file of the group over the kept one
    const { others } = pane.group;
    turned = (turned + by + others.length) % others.length;
    drawGroup();
    transport.play(others[turned]);
  };
  box.handleKey = event => {
    if (summary || !pane.group) return false;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const members = [pane.group.keep, ...pane.group.others];
    if (KEYS[key]) KEYS[key]();
    else if (members[Number(key) - 1]) transport.play(members[Number(key) - 1]);
    else return false;
    consumeKey(event);
    return true;
  };
  const unsubscribe = state.subscribe(['part', 'annotated'], () => { drawn = ''; look(); });
  draw();
  look();
  return () => { clearTimeout(timer); unsubscribe(); pane.overlay?.end(); };
}

export const makeQueuePane = defineElement('duplicate-queue', build);
