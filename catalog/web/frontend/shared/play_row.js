// A row that plays its hit when it is pressed: the hit's outline, and lines of text beside it.

import { outlineCanvas } from '../drawing/outlines.js';
import { engine } from '../playback/audio_engine.js';
import { el } from './dom.js';

export const nameLine = (...children) => el('span', { class: 'name', dir: 'auto' }, ...children);
export const detailLine = (text, props = {}) => el('span', { class: 'why', ...props }, text);

// size: of the outline in CSS pixels; key: the key that plays it too; other options are properties
export function makePlayRow(hit, lines, { size = [130, 30], key, ...props } = {}) {
  return el('button', { type: 'button', class: 'row', 'aria-label': `Play ${hit.name}`,
    onclick: () => engine.play(hit), ...props },
  key === undefined ? null : el('kbd', {}, key), outlineCanvas(hit, ...size),
  el('span', { class: 'words' }, ...lines));
}
