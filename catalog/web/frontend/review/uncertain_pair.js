// Pairs that the samples leave open: one at a time, to be heard and answered by key.

import { engine } from '../playback/audio_engine.js';
import { layPair } from './overlay.js';
import { el, outlineCanvas, fillOutlines, ownKey } from '../shared/dom.js';

function makeQuestion(ask) {            // ask: {act(op, more)}
  const box = el('section', { class: 'question', 'aria-label': 'One recording or two?', tabIndex: 0 });
  const p = { box, at: 0, pair: null, overlay: null };
  let pairs = [], seen = '';
  const side = (hit, key) => el('button', { type: 'button', class: 'row', onclick: () => engine.play(hit), 'aria-label': `Play ${hit.name}` },
    el('kbd', {}, key), outlineCanvas(hit, 130, 30), el('span', { class: 'words' },
      el('span', { class: 'name', dir: 'auto' }, hit.name), el('span', { class: 'why', dir: 'auto' }, hit.words)));
  const answer = op => { if (p.pair) ask.act(op, { first: p.pair.first.id, second: p.pair.second.id }); };
  const later = () => { p.at += 1; draw(); };
  const deeds = () => el('div', { class: 'deeds' },
    ...[['Play both', 'b', () => engine.playBoth(p.pair.first, p.pair.second)], ['One recording', 's', () => answer('same')],
      ['Two recordings', 'd', () => answer('differ')], ['Later', 'n', later]]
      .map(([text, key, go]) => el('button', { type: 'button', onclick: go }, el('kbd', {}, key), text)));
  const draw = () => {
    p.overlay?.end();
    const held = box.contains(box.getRootNode().activeElement);
    p.pair = pairs.length ? pairs[p.at % pairs.length] : null;
    if (!p.pair) { box.replaceChildren(); return; }
    p.overlay = layPair(p.pair.first, p.pair.second);
    box.replaceChildren(el('h3', {}, 'One recording or two?'),
      el('p', { class: 'reason' }, `${pairs.length === 1 ? 'One pair is' : `${pairs.length} pairs are`} left open: ${p.pair.words}. Two strokes of one drum may come as close; listen to the ring and to the start.`),
      side(p.pair.first, '1'), side(p.pair.second, '2'), p.overlay.box, deeds());
    fillOutlines(box);
    if (held) box.focus({ preventScroll: true });
  };
  box.addEventListener('keydown', event => {
    if (!p.pair || event.ctrlKey || event.metaKey || event.altKey) return;
    const deed = { 1: () => engine.play(p.pair.first), 2: () => engine.play(p.pair.second), n: later, s: () => answer('same'),
      d: () => answer('differ'), b: () => engine.playBoth(p.pair.first, p.pair.second), r: () => p.overlay.playRest() }[event.key];
    if (deed) { ownKey(event); deed(); }
  });
  p.update = sent => {
    const now = JSON.stringify(sent);
    if (now === seen) return;
    seen = now;
    pairs = sent;
    draw();
  };
  p.end = () => p.overlay?.end();
  return p;
}

export { makeQuestion };
