// A/B: two hits over and over at like loudness, switched while they sound, with their waves overlaid.

import { drawSpectrum, drawOver } from '../drawing/waveform.js';
import { gainOf, engine } from '../playback/audio_engine.js';
import { el, inkOf, accentOf, seconds, hertz, decibels, ownKey } from '../shared/dom.js';

const AB_LEAST_S = 0.7, AB_MOST_S = 3, AB_PAUSE_S = 0.12;   // of one round
const AB_SWITCH_S = 0.008;             // long enough not to click, too short to be heard as a fade
const AB_AHEAD_S = 0.3;

function makeDuel() {                  // both sound all the time; one of the two is open
  const d = { side: 'A', rounds: 0, running: false };
  let gains = null, timer = 0, next = 0, sources = [];
  d.start = async (a, b) => {
    d.stop();
    engine.wake();
    const mine = d.ticket = {};
    const buffers = await Promise.all([engine.load(a), engine.load(b)]);
    if (d.ticket !== mine) return;
    engine.hush();
    const round = Math.min(AB_MOST_S, Math.max(AB_LEAST_S, ...buffers.map(one => one.duration))) + AB_PAUSE_S;
    gains = [a, b].map(() => { const g = engine.ctx.createGain(); g.connect(engine.fader); return g; });
    set(0);
    d.running = true;
    next = engine.ctx.currentTime + 0.03;
    const fill = () => {
      while (next < engine.ctx.currentTime + AB_AHEAD_S) {
        [a, b].forEach((hit, k) => {
          const source = engine.ctx.createBufferSource(), level = engine.ctx.createGain();
          source.buffer = buffers[k];
          level.gain.value = gainOf(hit.match_db ?? -12);
          source.connect(level).connect(gains[k]);
          source.start(next); source.stop(next + round - AB_PAUSE_S / 2);
          sources.push(source);
          source.onended = () => { sources = sources.filter(one => one !== source); };
        });
        next += round; d.rounds += 1; engine.starts += 1;
        engine.last = { id: (d.side === 'A' ? a : b).id, at: performance.now(), seconds: round };
      }
    };
    fill();
    timer = setInterval(fill, 1000 * AB_AHEAD_S / 3);
  };
  const set = glide => gains?.forEach((g, k) => {
    const open = (k === 0) === (d.side === 'A') ? 1 : 0;
    if (glide) g.gain.setTargetAtTime(open, engine.ctx.currentTime, glide / 3); else g.gain.value = open;
  });
  d.turn = side => { d.side = side ?? (d.side === 'A' ? 'B' : 'A'); set(AB_SWITCH_S); };
  d.stop = () => {
    d.ticket = null; d.running = false;
    clearInterval(timer);
    gains?.forEach(g => g.gain.setTargetAtTime(0, engine.ctx.currentTime, AB_SWITCH_S / 3));
    sources.forEach(one => { try { one.stop(engine.ctx.currentTime + 0.03); } catch { /* it has not begun */ } });
    sources = []; gains = null;
  };
  return d;
}

function makeCompare() {
  const duel = makeDuel(), box = el('section', { class: 'compare', 'aria-label': 'Comparison of two hits', hidden: true });
  const c = { box, duel, a: null, b: null };
  const numbersOf = (a, b) => [['length', 'length_s', seconds], ['attack', 'attack_s', seconds], ['falls 20 dB in', 'decay20_s', seconds],
    ['brightness', 'centroid_hz', hertz], ['body', 'body_hz', hertz], ['loudness', 'loudness_lkfs', v => decibels(v, 'LKFS')]]
    .map(([word, name, show]) => el('tr', {}, el('th', { scope: 'row' }, word), el('td', {}, show(a.numbers[name])), el('td', {}, show(b.numbers[name]))));
  const draw = (over, spectra) => Promise.all([engine.load(c.a), engine.load(c.b)]).then(buffers => {
    const width = Math.max(120, box.clientWidth - 18), small = Math.floor((width - 8) / 2);
    drawOver(over, [{ buffer: buffers[0], gain: gainOf(c.a.match_db), color: accentOf(box) }, { buffer: buffers[1], gain: gainOf(c.b.match_db), color: inkOf(box), hollow: true }], width, 76);
    spectra.forEach((canvas, k) => drawSpectrum(canvas, buffers[k], small, 56));
    c.drawn = true;
  });
  const turn = side => { duel.turn(side); mark(); };
  const mark = () => {
    box.querySelectorAll('[data-side]').forEach(one => one.setAttribute('aria-pressed', String(one.dataset.side === duel.side)));
    box.querySelector('.run').textContent = duel.running ? 'Stop' : 'Play both';
  };
  c.run = async () => { if (duel.running) duel.stop(); else await duel.start(c.a, c.b); mark(); };
  c.show = (a, b) => {
    duel.stop();
    [c.a, c.b, c.drawn, duel.side] = [a, b, false, 'A'];
    const over = el('canvas', { 'aria-hidden': 'true' }), spectra = [0, 1].map(() => el('canvas', { 'aria-hidden': 'true' }));
    const side = (letter, row) => el('button', { type: 'button', 'data-side': letter, onclick: () => turn(letter) }, el('b', {}, letter), ' ', el('bdi', {}, row.name));
    box.replaceChildren(el('h3', {}, 'A/B', el('small', {}, 'at like loudness; B turns, shift+B plays or stops')),
      el('div', { class: 'deeds' }, side('A', a), side('B', b), el('button', { type: 'button', class: 'run', onclick: c.run }, 'Play both'),
        el('button', { type: 'button', onclick: c.hide }, 'Close')),
      over, el('p', { class: 'axis' }, 'waves: A filled, B as a line; below, their spectra'),
      el('div', { class: 'two' }, ...spectra),
      el('table', {}, el('thead', {}, el('tr', {}, el('td', {}), el('th', { scope: 'col' }, 'A'), el('th', { scope: 'col' }, 'B'))), el('tbody', {}, ...numbersOf(a, b))));
    box.hidden = false;
    mark();
    draw(over, spectra).catch(err => box.append(el('p', { class: 'none' }, err.message)));
    box.scrollIntoView({ block: 'nearest' });
  };
  c.hide = () => { duel.stop(); box.hidden = true; box.replaceChildren(); c.a = c.b = null; };
  c.key = event => {
    if (box.hidden || event.key.toLowerCase() !== 'b' || !c.b) return false;
    ownKey(event);
    if (event.shiftKey) c.run(); else turn();
    return true;
  };
  return c;
}

export { makeCompare };
