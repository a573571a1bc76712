// The view "role_review": hits with an estimated role, shown one after the other and decided by key.

import { ROLES, ROLE_LABELS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { drawOutlines, outlineCanvas } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { annotate, annotations, undoAct } from '../shared/annotations.js';
import { button, consumeKey, el, hasModifier, isTyping } from '../shared/dom.js';
import { detailLine, nameLine } from '../shared/play_row.js';

const KEYS_LABEL = 'Role questions: digits answer, o only this hit, p plays the group, n skips, '
  + 'u undoes, space plays';
const PAUSE_MS = 350;   // between the starts of two hits of a group
const RENEW_MS = 800;   // after an answer, until the counts above are renewed

// round -> {position, answers}; outlives a remount. An answer is {act, nFollowed}, or null if skipped.
const rounds = new Map();

function openRound(name) {
  if (!rounds.has(name)) rounds.set(name, { position: 0, answers: [] });
  return rounds.get(name);
}

export function mount(root, live) {
  const view = root.querySelector('.view'), status = el('p', { class: 'status', 'aria-live': 'polite' });
  const box = el('section', { class: 'role-question', 'aria-label': 'What is this hit?' });
  let data = null, round = null, isBusy = false, isAlone = false;
  view.tabIndex = 0;
  view.classList.add('role-review');
  view.setAttribute('aria-label', KEYS_LABEL);
  view.replaceChildren(box, status);

  const current = () => data.questions[round.position];
  const setStatus = text => { status.textContent = text; };
  const play = () => current() && engine.play(current());
  let timers = [];
  const stopGroup = () => { timers.forEach(clearTimeout); timers = []; };
  const playGroup = () => {
    stopGroup();
    if (!current()) return;
    timers = [current(), ...current().others].map(
      (hit, k) => setTimeout(() => engine.play(hit), k * PAUSE_MS));
  };
  const setAlone = value => { isAlone = value; draw(); };
  const goTo = position => { stopGroup(); round.position = position; isAlone = false; draw(); play(); };
  const exclusively = work => async argument => {   // one request at a time
    if (isBusy) return;
    isBusy = true;
    try { await work(argument); } catch (error) { setStatus(error.message); } finally { isBusy = false; }
  };
  let renewal = 0;
  const renewCounts = () => {
    clearTimeout(renewal);
    renewal = setTimeout(() => live.c.setTriggerValue('answered', Date.now()), RENEW_MS);
  };
  const answer = exclusively(async role => {
    const hit = current();
    if (!hit) return;
    const ids = isAlone ? [hit.id] : [hit.id, ...hit.group];
    const named = ids.length > 1 ? `${ids.length} hits are` : `${hit.name} is`;
    await annotate(ids, { role }, `${named} ${ROLE_LABELS[role]}`);
    const nFollowed = annotations.followed.length;   // hits whose estimated roles followed
    round.answers.push({ act: annotations.acts.undo?.id, nFollowed });
    setStatus(`${hit.name}: ${ROLE_LABELS[role]}`
      + (nFollowed > 0 ? `; ${nFollowed} more hits followed` : ''));
    renewCounts();
    goTo(round.position + 1);
  });
  const skip = () => {
    if (!current()) return;
    round.answers.push(null);
    setStatus('Skipped.');
    goTo(round.position + 1);
  };
  const goBack = exclusively(async () => {
    if (!round.answers.length) return;
    const last = round.answers.at(-1);
    if (last && last.act !== annotations.acts.undo?.id) {
      setStatus('Something else was annotated since; undo that first.');
      return;
    }
    if (last) await undoAct(last.act);
    if (last) renewCounts();
    round.answers.pop();
    setStatus('Undone.');
    goTo(round.position - 1);
  });

  const makeKeyButton = (key, content, onclick, props = {}) =>
    el('button', { type: 'button', onclick, ...props }, el('kbd', {}, key), ...content);
  const makeRoleButton = (role, k) =>
    makeKeyButton(String(k + 1), [markIcon(role), ROLE_LABELS[role]], () => answer(role));
  const makeBack = () => makeKeyButton('u', ['Undo'], goBack, { disabled: !round.answers.length });
  const makeOtherRoles = hit => {
    const select = el('select', { 'aria-label': 'Another role',
      onchange: () => select.value && answer(select.value) },
    el('option', { value: '' }, 'something else …'), ...ROLES.filter(role => !hit.likely.includes(role))
      .map(role => el('option', { value: role }, ROLE_LABELS[role])));
    return select;
  };
  const makeGroup = hit => hit.group.length === 0 ? [] : [el('div', { class: 'actions group' },
    el('span', {}, isAlone ? 'Only this hit is named.'
      : `${hit.group.length + 1} hits sound alike; the answer counts for all.`),
    makeKeyButton('p', ['Play them'], playGroup),
    makeKeyButton('o', ['Only this hit'], () => setAlone(!isAlone), { 'aria-pressed': String(isAlone) }))];
  const makeQuestion = hit => [
    el('p', { class: 'count' }, `${round.position + 1} of ${data.questions.length}`),
    el('button', { type: 'button', class: 'question-hit', onclick: play,
      'aria-label': `Play ${hit.name} again` },
    outlineCanvas(hit, 260, 56), el('span', { class: 'words' }, nameLine(hit.name),
      detailLine(hit.session || 'unknown session', { dir: 'auto' })), el('kbd', {}, 'space')),
    el('p', { class: 'why' }, hit.why), ...makeGroup(hit),
    el('div', { class: 'actions' }, ...hit.likely.map(makeRoleButton), makeOtherRoles(hit)),
    el('div', { class: 'actions' }, makeKeyButton('n', ['Skip'], skip), makeBack())];
  const makeSummary = () => {
    const given = round.answers.filter(Boolean), nSkipped = round.answers.length - given.length;
    const nFollowed = given.reduce((sum, one) => sum + Math.max(0, one.nFollowed), 0);
    return [el('p', {}, `${given.length} answered, ${nSkipped} skipped; ${nFollowed} more hits followed.`),
      el('div', { class: 'actions' }, data.left > 0 ? button('Another round',
        () => live.c.setTriggerValue('more', Date.now()), { class: 'main' }) : null, makeBack())];
  };
  const draw = () => {
    const hadFocus = box.contains(box.getRootNode().activeElement), hit = current();
    box.replaceChildren(...(hit ? makeQuestion(hit) : makeSummary()));
    drawOutlines(box);
    if (hadFocus) view.focus({ preventScroll: true });   // keys go on answering
    [hit, data.questions[round.position + 1]].filter(Boolean).forEach(engine.loadQuietly);
  };

  // Keys count wherever the focus is, except in a field; space also presses the button with the focus.
  const handleKey = event => {
    const target = event.composedPath()[0] ?? event.target;   // inside the shadow root of a part
    if (!data || !view.checkVisibility() || isTyping({ target }) || hasModifier(event)) return;
    const role = current()?.likely[Number(event.key) - 1];
    const isFree = target === view || target === document.body;
    const keys = { n: skip, u: goBack, p: playGroup, o: () => setAlone(!isAlone),
      ...(isFree ? { ' ': play } : {}) };
    const action = role ? () => answer(role) : keys[event.key];
    if (!action) return;
    consumeKey(event);
    view.focus({ preventScroll: true });   // so that space plays the next hit
    action();
  };
  document.addEventListener('keydown', handleKey);
  const update = newData => {          // the questions of a round and their keys stay as they are
    const isSame = data?.round === newData.round, { questions } = isSame ? data : newData;
    data = { ...newData, questions };
    round = openRound(data.round);
    if (!isSame || !current()) draw();
    if (data.probe) globalThis.__roles = { round: () => round, current, engine };
  };
  const stop = () => {
    document.removeEventListener('keydown', handleKey);
    clearTimeout(renewal);
    stopGroup();
  };
  return { update, stop };
}
