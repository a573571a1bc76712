// The row above the cards: steps back and forward, whole kits to choose from, and ways to play.

import { pads } from './pads.js';
import { midi } from '../playback/midi_input.js';
import { player } from '../playback/phrase_player.js';
import { el } from '../shared/dom.js';
import { table } from '../shared/kit_session.js';

function makeKitBar() {
  const box = el('div', { class: 'bar' });
  const steps = el('span', { class: 'cluster' }), wholes = el('span', { class: 'cluster' }), play = el('span', { class: 'cluster' });
  const words = el('p', { class: 'status', 'aria-live': 'polite' });
  const phrase = el('select', { 'aria-label': 'Phrase' });
  const go = el('button', { type: 'button', onclick: () => (player.playing ? player.stop() : start()) }, 'Play');
  const again = el('input', { type: 'checkbox', onchange: () => { player.again = again.checked; } });
  const hand = el('input', { type: 'range', min: 1, max: 127, value: pads.velocity, 'aria-label': 'Strength of letters and clicks',
    oninput: () => { pads.velocity = Number(hand.value); shown.textContent = hand.value; } });
  const shown = el('span', { class: 'db' }, String(pads.velocity));
  const file = el('input', { type: 'file', accept: '.mid,.midi', hidden: true, 'aria-label': 'MIDI file',
    onchange: () => { if (file.files[0]) take(file.files[0]); file.value = ''; } });
  const brought = [];                  // phrases from files, kept as bytes: the kit may change
  const wire = el('button', { type: 'button', onclick: () => (midi.on ? midi.disconnect() : midi.connect()) });

  async function load() {
    const answer = await fetch('/api/phrases');
    if (!answer.ok) return;
    phrase.replaceChildren(...(await answer.json()).map(one => el('option', { value: one.name, title: one.words }, one.name)));
  }
  async function start() {
    const own = brought.find(one => one.name === phrase.value);
    const answer = await (own ? fetch('/api/phrase', { method: 'POST', body: own.bytes })
      : fetch(`/api/phrase/${encodeURIComponent(phrase.value)}`));
    if (!answer.ok) { words.textContent = await answer.text(); return; }
    const made = await answer.json();
    words.textContent = made.words;
    player.play(made);
  }
  async function take(chosen) {        // a MIDI file of the person's own
    const bytes = await chosen.arrayBuffer();
    brought.push({ name: chosen.name, bytes });
    phrase.append(el('option', { value: chosen.name }, chosen.name));
    phrase.value = chosen.name;
    start();
  }
  play.append(phrase, go, el('label', { class: 'tick' }, again, 'again and again'),
    el('button', { type: 'button', title: 'Or drop one on this row', onclick: () => file.click() }, 'MIDI file …'), file, wire,
    el('label', { class: 'level' }, 'letters strike with', hand, shown));
  box.addEventListener('dragover', event => event.preventDefault());
  box.addEventListener('drop', event => {
    const dropped = [...event.dataTransfer.files].find(one => /\.midi?$/i.test(one.name));
    event.preventDefault();
    if (dropped) take(dropped);
    else words.textContent = 'That is no MIDI file; its name ends in .mid';
  });
  box.append(steps, wholes, play, words);
  const drawPlay = () => {
    go.textContent = player.playing ? 'Stop' : 'Play';
    go.disabled = !table.slots.length;
  };
  const drawWire = () => {
    wire.textContent = midi.on ? 'Stop listening to pads' : 'Play by pads or keyboard';
    words.textContent = midi.words;
  };
  const draw = () => {
    const kit = table.kit;
    if (!kit) return;
    steps.replaceChildren(
      el('button', { type: 'button', disabled: !kit.undo, title: kit.undo && `Take back: ${kit.undo} (Ctrl+Z)`, onclick: () => table.act('undo') }, 'Take back'),
      el('button', { type: 'button', disabled: !kit.redo, title: kit.redo && `Do again: ${kit.redo} (Ctrl+Y)`, onclick: () => table.act('redo') }, 'Do again'));
    wholes.replaceChildren(...(kit.choices > 1 ? [el('span', {}, 'whole kits:'), ...Array.from({ length: kit.choices }, (_, k) =>
      el('button', { type: 'button', 'aria-pressed': String(kit.chosen === k), 'aria-label': `Whole kit ${k + 1} of ${kit.choices}`,
        onclick: () => table.act('choose', { k }) }, ['best', '2nd', '3rd', '4th'][k] ?? String(k + 1)))] : []));
    drawPlay();
  };
  const ends = [player.hear(drawPlay), midi.hear(drawWire)];
  load();
  return { box, draw, stop() { ends.forEach(end => end()); player.stop(); } };
}

export { makeKitBar };
