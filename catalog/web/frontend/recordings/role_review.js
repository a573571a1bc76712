// The view "round": hits whose role is a guess, asked one after the other, answered by key.

import { WORDS } from '../constants.js';
import { markIcon } from '../drawing/marks.js';
import { engine } from '../playback/audio_engine.js';
import { SAID_STEPS, say, unsay } from '../shared/annotations.js';
import { el, outlineCanvas, fillOutlines, ownKey, typing } from '../shared/dom.js';

const ROUNDS = new Map();              // round -> {at, done: [{role, step}]}; outlives a remount

export const mount = (root, live) => {
  const room = root.querySelector('.room'), status = el('p', { class: 'status', 'aria-live': 'polite' });
  const desk = el('section', { class: 'asking', 'aria-label': 'What is this hit?' });
  let data = null, round = null, busy = false;
  room.tabIndex = 0;
  room.classList.add('narrow');
  room.setAttribute('aria-label', 'Questions by ear: figures answer, n passes, u takes back, space plays');
  room.replaceChildren(desk, status);

  const now = () => data.questions[round.at];
  const hear = () => now() && engine.play(now());
  const step = () => { round.at += 1; draw(); hear(); };
  const answer = async role => {
    if (busy || !now()) return;
    busy = true;
    try {
      const changed = await say([now().id], { role }, `${now().name} is ${WORDS.roles[role]}`);
      round.done.push({ role, step: SAID_STEPS.at(-1), followed: changed.length - 1 });
      const more = changed.length - 1;
      status.textContent = `${now().name}: ${WORDS.roles[role]}` + (more > 0 ? `; ${more} like it followed` : '');
      step();
    } catch (error) { status.textContent = error.message; } finally { busy = false; }
  };
  const pass = () => { if (now()) { round.done.push(null); status.textContent = 'Passed.'; step(); } };
  const back = async () => {
    if (busy || !round.done.length) return;
    busy = true;
    try {
      const last = round.done.at(-1);
      if (last && last.step !== SAID_STEPS.at(-1)) { status.textContent = 'Something else was said since; take that back first.'; return; }
      if (last) await unsay();
      round.done.pop();
      round.at -= 1;
      status.textContent = 'Taken back.';
      draw();
      hear();
    } catch (error) { status.textContent = error.message; } finally { busy = false; }
  };

  const others = hit => {
    const pick = el('select', { 'aria-label': 'Another role', onchange: () => pick.value && answer(pick.value) },
      el('option', { value: '' }, 'something else …'),
      ...WORDS.order.filter(role => !hit.likely.includes(role)).map(role => el('option', { value: role }, WORDS.roles[role])));
    return pick;
  };
  const question = hit => [
    el('p', { class: 'count' }, `${round.at + 1} of ${data.questions.length}`),
    el('button', { type: 'button', class: 'hearing', onclick: hear, 'aria-label': `Play ${hit.name} again` },
      outlineCanvas(hit, 260, 56), el('span', { class: 'words' }, el('span', { class: 'name', dir: 'auto' }, hit.name),
        el('span', { class: 'why', dir: 'auto' }, hit.session || 'unknown session')), el('kbd', {}, 'space')),
    el('div', { class: 'deeds' }, ...hit.likely.map((role, k) => el('button', { type: 'button', onclick: () => answer(role) },
      el('kbd', {}, String(k + 1)), markIcon(role), WORDS.roles[role])), others(hit)),
    el('div', { class: 'deeds' }, el('button', { type: 'button', onclick: pass }, el('kbd', {}, 'n'), 'Pass'), taking())];
  const taking = () => el('button', { type: 'button', disabled: !round.done.length, onclick: back }, el('kbd', {}, 'u'), 'Take back');
  const ending = () => {
    const said = round.done.filter(Boolean), followed = said.reduce((n, one) => n + Math.max(0, one.followed), 0);
    return [el('p', {}, `${said.length} answered, ${round.done.length - said.length} passed; ${followed} hits like them followed.`),
      el('div', { class: 'deeds' }, data.left > 0 ? el('button', { type: 'button', class: 'main',
        onclick: () => live.c.setTriggerValue('more', Date.now()) }, 'Another round') : null, taking())];
  };
  const draw = () => {
    const held = desk.contains(root.activeElement ?? null) || desk.contains(desk.getRootNode().activeElement);
    desk.replaceChildren(...(now() ? question(now()) : ending()));
    fillOutlines(desk);
    if (held) room.focus({ preventScroll: true });   // keys go on answering
    const next = data.questions[round.at + 1];
    if (now()) engine.load(now()).catch(() => {});
    if (next) engine.load(next).catch(() => {});
  };

  room.addEventListener('keydown', event => {
    if (typing(event) || event.ctrlKey || event.metaKey || event.altKey) return;
    const likely = now()?.likely[Number(event.key) - 1];
    const onButton = event.target.tagName === 'BUTTON';
    const deed = likely ? () => answer(likely) : event.key === 'n' ? pass : event.key === 'u' ? back
      : event.key === ' ' && !onButton ? hear : null;
    if (deed) { ownKey(event); deed(); }
  });
  const update = sent => {
    data = sent;
    if (!ROUNDS.has(data.round)) ROUNDS.set(data.round, { at: 0, done: [] });
    round = ROUNDS.get(data.round);
    draw();
    if (data.probe) globalThis.__roles = { round: () => round, now, engine };
  };
  return { update, stop() {} };
};
