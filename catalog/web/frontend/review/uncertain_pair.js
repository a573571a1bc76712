// Pairs that may be one recording or two: shown one at a time, played and answered by key.

import { drawOutlines } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { consumeKey, el, hasModifier } from '../shared/dom.js';
import { detailLine, makePlayRow, nameLine } from '../shared/play_row.js';
import { makeOverlay } from './overlay.js';

export function makePairQuestion(runAction) {   // runAction(op, args)
  const box = el('section', { class: 'question', 'aria-label': 'One recording or two?', tabIndex: 0 });
  const question = { box, pair: null, overlay: null };
  let pairs = [], position = 0, shown = '';

  const play = side => () => engine.play(question.pair[side]);
  const answer = op => () => {
    const { first, second } = question.pair;
    runAction(op, { first: first.id, second: second.id });
  };
  const playBoth = () => engine.playInTurn(question.pair.first, question.pair.second);
  const skip = () => { position += 1; draw(); };
  const buttons = [['Play both', 'b', playBoth], ['One recording', 's', answer('same')],
    ['Two recordings', 'd', answer('differ')], ['Skip', 'n', skip]];
  const keys = { 1: play('first'), 2: play('second'), r: () => question.overlay.playResidual(),
    ...Object.fromEntries(buttons.map(([, key, action]) => [key, action])) };

  const makeSide = (side, key) => {
    const hit = question.pair[side];
    return makePlayRow(hit, [nameLine(hit.name), detailLine(hit.words, { dir: 'auto' })], { key });
  };
  const makeIntroduction = () => {
    const count = pairs.length === 1 ? 'One pair is' : `${pairs.length} pairs are`;
    return el('p', { class: 'reason' }, `${count} undecided: ${question.pair.words}. Two strokes of one drum `
      + 'can be as similar; compare their attack and decay.');
  };
  const makeButton = ([label, key, onclick]) =>
    el('button', { type: 'button', onclick }, el('kbd', {}, key), label);
  const draw = () => {
    const hadFocus = box.contains(box.getRootNode().activeElement);
    question.overlay?.end();
    question.pair = pairs.length ? pairs[position % pairs.length] : null;
    if (!question.pair) { box.replaceChildren(); return; }
    question.overlay = makeOverlay(question.pair.first, question.pair.second);
    box.replaceChildren(el('h3', {}, 'One recording or two?'), makeIntroduction(), makeSide('first', '1'),
      makeSide('second', '2'), question.overlay.box,
      el('div', { class: 'actions' }, ...buttons.map(makeButton)));
    drawOutlines(box);
    if (hadFocus) box.focus({ preventScroll: true });
  };
  box.addEventListener('keydown', event => {
    if (!question.pair || hasModifier(event) || !keys[event.key]) return;
    consumeKey(event);
    keys[event.key]();
  });
  question.update = newPairs => {
    const state = JSON.stringify(newPairs);
    if (state === shown) return;
    shown = state;
    pairs = newPairs;
    draw();
  };
  question.end = () => question.overlay?.end();
  return question;
}
