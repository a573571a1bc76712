// A/B comparison of two hits: switched while they sound, with overlaid waveforms and a table of numbers.

import { accentColor, textColor } from '../drawing/canvas.js';
import { drawSpectrogram } from '../drawing/spectrum.js';
import { drawOverlaidWaveforms } from '../drawing/waveform.js';
import { makeAbPlayer } from '../playback/ab_player.js';
import { engine } from '../playback/audio_engine.js';
import { gainOf } from '../playback/gain.js';
import { button, consumeKey, el } from '../shared/dom.js';
import { formatDecibels, formatHertz, formatSeconds } from '../shared/format.js';

const WAVE_HEIGHT = 76, SPECTROGRAM_HEIGHT = 56, PADDING = 18, GAP = 8;   // CSS pixels
const NUMBERS = [
  ['length', 'length_s', formatSeconds], ['attack', 'attack_s', formatSeconds],
  ['decay by 20 dB', 'decay20_s', formatSeconds], ['brightness', 'centroid_hz', formatHertz],
  ['body', 'body_hz', formatHertz], ['loudness', 'loudness_lkfs', value => formatDecibels(value, 'LKFS')],
];

function makeTable(a, b) {
  const head = el('tr', {}, el('td', {}), el('th', { scope: 'col' }, 'A'), el('th', { scope: 'col' }, 'B'));
  const rows = NUMBERS.map(([label, name, format]) => el('tr', {}, el('th', { scope: 'row' }, label),
    el('td', {}, format(a.numbers[name])), el('td', {}, format(b.numbers[name]))));
  return el('table', {}, el('thead', {}, head), el('tbody', {}, ...rows));
}

export function makeComparison() {
  const box = el('section', { class: 'compare', 'aria-label': 'Comparison of two hits', hidden: true });
  const player = makeAbPlayer(), comparison = { box, player, hits: [], isDrawn: false };

  const draw = async (waves, spectrograms) => {
    const buffers = await Promise.all(comparison.hits.map(engine.load));
    const width = Math.max(120, box.clientWidth - PADDING), half = Math.floor((width - GAP) / 2);
    const layers = comparison.hits.map((hit, k) => ({ buffer: buffers[k], gain: gainOf(hit.match_db),
      color: k ? textColor(box) : accentColor(box), hollow: k === 1 }));
    drawOverlaidWaveforms(waves, layers, width, WAVE_HEIGHT);
    spectrograms.forEach((canvas, k) => drawSpectrogram(canvas, buffers[k], half, SPECTROGRAM_HEIGHT));
    comparison.isDrawn = true;
  };
  const update = () => {
    box.querySelectorAll('[data-side]').forEach(node =>
      node.setAttribute('aria-pressed', String(node.dataset.side === player.side)));
    box.querySelector('.run').textContent = player.isRunning ? 'Stop' : 'Play both';
  };
  const switchTo = side => { player.switchTo(side); update(); };
  const toggle = async () => {
    if (player.isRunning) player.stop();
    else await player.start(...comparison.hits);
    update();
  };
  const sideButton = (side, hit) => el('button', { type: 'button', 'data-side': side,
    onclick: () => switchTo(side) }, el('b', {}, side), ' ', el('bdi', {}, hit.name));

  comparison.show = (a, b) => {
    player.stop();
    player.side = 'A';
    Object.assign(comparison, { hits: [a, b], isDrawn: false });
    const [waves, ...spectrograms] = [0, 1, 2].map(() => el('canvas', { 'aria-hidden': 'true' }));
    box.replaceChildren(
      el('h3', {}, 'A/B', el('small', {}, 'at matched loudness; B switches, Shift+B plays or stops')),
      el('div', { class: 'actions' }, sideButton('A', a), sideButton('B', b),
        button('Play both', toggle, { class: 'run' }), button('Close', comparison.hide)),
      waves, el('p', { class: 'axis' }, 'waveforms: A filled, B as a line; below, their spectrograms'),
      el('div', { class: 'spectrograms' }, ...spectrograms), makeTable(a, b));
    box.hidden = false;
    update();
    draw(waves, spectrograms).catch(error => box.append(el('p', { class: 'none' }, error.message)));
    box.scrollIntoView({ block: 'nearest' });
  };
  comparison.hide = () => {
    player.stop();
    box.hidden = true;
    box.replaceChildren();
    comparison.hits = [];
  };
  comparison.handleKey = event => {
    if (box.hidden || event.key.toLowerCase() !== 'b') return false;
    consumeKey(event);
    if (event.shiftKey) toggle(); else switchTo();
    return true;
  };
  return comparison;
}
