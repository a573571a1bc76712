// Always at the bottom: what sounds now, how loud, and how to stop it.

import { HEARING } from '../constants.js';
import { engine } from '../playback/audio_engine.js';
import { transport } from '../playback/transport.js';
import { annotations, redoAct, undoAct } from '../shared/annotations.js';
import { button, el } from '../shared/dom.js';
import { defineElement } from '../shared/element.js';
import { kitSession } from '../shared/kit_session.js';

const FIRST_PRESS = 'Click once for sound';
const FIRST_PRESS_WHY = 'Browsers allow sound only after a click or a key.';

function makeLevel() {
  const value = el('span', { class: 'db' }, `${engine.levelDb} dB`);
  const fader = el('input', { type: 'range', min: -48, max: 0, step: 1, value: engine.levelDb,
    'aria-label': 'Playback level, dB', oninput: () => {
      engine.setLevel(Number(fader.value));
      value.textContent = `${fader.value} dB`;
    } });
  return el('label', { class: 'level', title: HEARING }, 'level', fader, value);
}

// What was done last, newest first, each with its own undo.
function makeHistory(on) {
  const list = el('ol', { hidden: true, class: 'acts', 'aria-label': 'What was done last' });
  const toggle = button('Recent', () => {
    list.hidden = !list.hidden;
    toggle.setAttribute('aria-expanded', String(!list.hidden));
  }, { 'aria-expanded': 'false', title: 'What was done last' });
  const makeItem = act => el('li', { 'data-undone': String(act.undone) },
    el('span', { class: 'name', dir: 'auto' }, act.text), el('small', {}, act.when),
    act.undone || act.fixed ? el('small', {}, act.undone ? 'undone' : 'too old to undo')
      : act.id === null ? '' : button('Undo', () => on.act(() => undoAct(act.id)),
        { 'aria-label': `Undo ${act.text}` }));
  let shown = '';
  const draw = () => {
    const acts = JSON.stringify(annotations.acts.list);
    if (acts === shown) return;
    shown = acts;
    list.replaceChildren(...annotations.acts.list.map(makeItem));
  };
  return { list, toggle, draw };
}

function build(box, { state, on }) {
  const name = el('span', { class: 'sounding', role: 'status' });
  const stop = button('Stop', transport.stop, { title: 'Stop everything (Escape)' });
  const loop = button('Loop', () => transport.setLoops(!transport.loops),
    { 'aria-pressed': 'false', title: 'Play what is pressed again and again' });
  const compare = button('A/B', () => {
    if (transport.pair) { transport.switchSide(); return; }
    const a = state.hitOf(state.chosen), { hit, before } = transport;
    const last = hit?.id === a?.id ? before : hit;
    if (a && last) transport.compare(a, last);
  }, { title: 'Compare the chosen hit with the last other one; press again to switch (B)' });
  const rests = el('input', { type: 'checkbox', checked: engine.playsOnHover,
    onchange: () => engine.setPlaysOnHover(rests.checked) });
  const notice = el('span', { class: 'notice', role: 'status' });
  const show = button('Show', () => on.pick(annotations.followed), { class: 'show', hidden: true,
    title: 'Select the hits whose roles followed' });
  const undo = button('Undo', () => on.act(() => undoAct()), { class: 'undo' });
  const redo = button('Redo', () => on.act(redoAct), { class: 'redo' });
  const history = makeHistory(on);
  const scan = el('span', { class: 'scan', role: 'status' });
  const bar = el('div', { role: 'toolbar', 'aria-label': 'Playing', class: 'playing' },
    stop, loop, compare, name, makeLevel(), el('label', { class: 'tick' }, rests, 'play under the pointer'),
    el('span', { class: 'ends' }, scan, notice, show, undo, redo, history.toggle));
  box.replaceChildren(history.list, bar);

  const drawSound = () => {
    const { pair, player, hit } = transport, side = pair && player.isRunning ? player.side : '';
    loop.setAttribute('aria-pressed', String(transport.loops));
    compare.setAttribute('aria-pressed', String(Boolean(side)));
    compare.textContent = side ? `A/B: ${side}` : 'A/B';
    const sounding = transport.isSounding();
    name.classList.toggle('on', sounding);
    name.textContent = !engine.isAwake() && !hit ? FIRST_PRESS
      : hit ? hit.name ?? state.hitOf(hit.id)?.name ?? '' : sounding ? 'The kit' : 'Nothing sounds';
    name.title = name.textContent === FIRST_PRESS ? FIRST_PRESS_WHY : name.textContent;
  };
  const drawNotice = () => {
    const { undo: last, redo: next } = annotations.acts;
    notice.textContent = state.notice ?? '';
    notice.title = notice.textContent;
    show.hidden = !state.notice || !annotations.followed.length;
    undo.disabled = !last;
    undo.title = last ? `Undo ${last.text} (Ctrl+Z)` : 'Nothing to undo';
    redo.disabled = !next;
    redo.title = next ? `Redo ${next.text} (Ctrl+Shift+Z)` : 'Nothing to redo';
    history.draw();
    const { scan: running } = state;
    scan.textContent = running ? `Scan ${running.share} %` : '';
    scan.title = running?.text ?? '';
  };
  const ends = [transport.subscribe(drawSound),
    state.subscribe(['chosen', 'columns'], drawSound),
    state.subscribe(['notice', 'annotated', 'scan'], drawNotice), kitSession.subscribe(drawNotice)];
  drawSound();
  drawNotice();
  return () => ends.forEach(end => end());
}

export const makePlayingBar = defineElement('playing-bar', build);
