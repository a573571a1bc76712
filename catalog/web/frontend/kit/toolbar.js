// The rows above the slots: fill the kit, alternative kits, and ways to play.

import { DEFAULT_SLOTS, SLOT_LABELS } from '../constants.js';
import { midiInput } from '../playback/midi_input.js';
import { phrasePlayer } from '../playback/phrase_player.js';
import { button, el } from '../shared/dom.js';
import { fetchJson } from '../shared/http.js';
import { kitSession } from '../shared/kit_session.js';
import { lastParts } from '../find/sessions.js';
import { fillableSlots } from './fillable.js';
import { pads } from './pads.js';

const RANKS = ['best', '2nd', '3rd', '4th'];

function makeVelocityFader() {
  const value = el('span', { class: 'db' }, String(pads.velocity));
  const fader = el('input', { type: 'range', min: 1, max: 127, value: pads.velocity,
    'aria-label': 'letter velocity, also of clicks', oninput: () => {
      pads.velocity = Number(fader.value);
      value.textContent = fader.value;
    } });
  return el('label', { class: 'level' }, 'velocity', fader, value);
}

// Phrases of the program by name, and MIDI files of the user, kept as bytes because the kit may change.
function makePhrasePicker(setStatus) {
  const select = el('select', { 'aria-label': 'Phrase' }), files = new Map();   // name -> bytes
  const picker = { select };
  const fill = async () => {
    const phrases = await fetchJson('/api/phrases').catch(() => []);
    select.replaceChildren(...phrases.map(({ name, words }) =>
      el('option', { value: name, title: words }, name)));
  };
  picker.play = async () => {
    try {
      const phrase = await (files.has(select.value)
        ? fetchJson('/api/phrase', { method: 'POST', body: files.get(select.value) })
        : fetchJson(`/api/phrase/${encodeURIComponent(select.value)}`));
      setStatus(phrase.words);
      phrasePlayer.play(phrase);
    } catch (error) { setStatus(error.message); }
  };
  picker.playFile = async file => {
    files.set(file.name, await file.arrayBuffer());
    select.append(el('option', { value: file.name }, file.name));
    select.value = file.name;
    picker.play();
  };
  fill();
  return picker;
}

function makeFileButton(take) {
  const input = el('input', { type: 'file', accept: '.mid,.midi', hidden: true, 'aria-label': 'MIDI file',
    onchange: () => {
      if (input.files[0]) take(input.files[0]);
      input.value = '';
    } });
  return [button('MIDI file …', () => input.click(), { title: 'Or drop one on this row' }), input];
}

// Fill the slots that are ticked, at first the usual ones for which there are hits, from any session or one.
function makeFilling(state) {
  const ticked = new Map();            // slot -> whether it is to be filled
  const list = el('div', { class: 'fill-slots' }), label = el('summary', {}, 'Slots');
  const fillable = () => fillableSlots(state.columns);
  const wanted = () => fillable().filter(slot => ticked.get(slot) ?? DEFAULT_SLOTS.includes(slot));
  const from = el('select', { 'aria-label': 'Fill from', title: 'Fill from all sessions, or from one' });
  const listSessions = () => {
    const before = from.value, sessions = (state.columns?.points.sessions ?? []).filter(Boolean);
    const labels = lastParts(sessions);
    from.replaceChildren(el('option', { value: '' }, 'all sessions'),
      ...sessions.map((value, k) => el('option', { value }, labels[k])));
    from.value = sessions.includes(before) ? before : '';
  };
  const fill = button('Fill the rest', () => kitSession.apply('fill', { slots: ticked.size ? wanted() : [],
    session: from.value }), { class: 'main', title: 'Fill every slot that is not locked' });
  const more = button('Add other strokes', () => kitSession.apply('layers'),
    { title: 'Add the other strokes of each drum as layers and round robins' });
  const anew = button('Start over', () => kitSession.apply('start_over'));
  const nameCount = () => { label.textContent = `Slots (${wanted().length})`; };
  const makeTick = slot => {
    const tick = el('input', { type: 'checkbox', checked: wanted().includes(slot), onchange: () => {
      ticked.set(slot, tick.checked);
      nameCount();
    } });
    return el('label', { class: 'tick' }, tick, SLOT_LABELS[slot]);
  };
  const menu = el('details', { class: 'fill-menu', ontoggle: () => {
    if (menu.open) list.replaceChildren(...fillable().map(makeTick));
  } }, label, list);
  let listed = null;
  const draw = () => {
    if (state.columns !== listed) { listed = state.columns; listSessions(); }
    nameCount();
    more.disabled = anew.disabled = !kitSession.slots.length;
    fill.disabled = kitSession.nPending > 0;
  };
  return { nodes: [fill, el('label', { class: 'from' }, 'from ', from), menu, more, anew], draw };
}

function makeChoices({ choices, chosen }) {
  if (choices <= 1) return [];
  const makeChoice = (_, k) => button(RANKS[k] ?? String(k + 1), () => kitSession.apply('choose', { k }),
    { 'aria-pressed': String(chosen === k), 'aria-label': `Alternative kit ${k + 1} of ${choices}` });
  return [el('span', {}, 'or'), ...Array.from({ length: choices }, makeChoice)];
}

export function makeKitToolbar({ state }) {
  const [fills, choices, play] = [0, 1, 2].map(() => el('span', { class: 'cluster' }));
  const filling = makeFilling(state);
  fills.append(...filling.nodes);
  const status = el('p', { class: 'status', 'aria-live': 'polite' });
  const setStatus = text => { status.textContent = text; };
  const phrases = makePhrasePicker(setStatus);
  const playButton = button('Play', () => (phrasePlayer.isPlaying ? phrasePlayer.stop() : phrases.play()));
  const repeats = el('input', { type: 'checkbox',
    onchange: () => { phrasePlayer.repeats = repeats.checked; } });
  const midiButton = button('', () => (midiInput.isOn ? midiInput.disconnect() : midiInput.connect()));
  play.append(phrases.select, playButton, el('label', { class: 'tick' }, repeats, 'Loop'),
    ...makeFileButton(phrases.playFile), midiButton, makeVelocityFader());
  const box = el('div', { class: 'kit-tools' }, fills, choices, play, status);
  box.addEventListener('dragover', event => event.preventDefault());
  box.addEventListener('drop', event => {
    const file = [...event.dataTransfer.files].find(({ name }) => /\.midi?$/i.test(name));
    event.preventDefault();
    if (file) phrases.playFile(file);
    else setStatus('This is not a MIDI file; its name must end in .mid');
  });

  const drawPlay = () => {
    playButton.textContent = phrasePlayer.isPlaying ? 'Stop' : 'Play';
    playButton.disabled = !kitSession.slots.length;
  };
  const drawMidi = () => {
    midiButton.textContent = midiInput.isOn ? 'Disconnect MIDI' : 'Connect MIDI';
    setStatus(midiInput.status);
  };
  const draw = () => {
    filling.draw();
    if (!kitSession.kit) return;
    choices.replaceChildren(...makeChoices(kitSession.kit));
    drawPlay();
  };
  const unsubscribe = [phrasePlayer.subscribe(drawPlay), midiInput.subscribe(drawMidi)];
  const stop = () => {
    unsubscribe.forEach(end => end());
    phrasePlayer.stop();
  };
  return { box, draw, stop };
}
