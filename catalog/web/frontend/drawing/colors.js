// Colors of marks. Okabe and Ito's set holds for the common kinds of color blindness (M. Okabe, K. Ito,
// "Color Universal Design", 2008); every role also differs in shape, see marks.js.

import { MARKS, ROLES } from '../constants.js';

// 3:1 against the darkest ground of the map, WCAG 2.2, 1.4.11; shapes distinguish them too.
const BLUE = '#0072B2', ORANGE = '#A86B00', GREEN = '#007A59', PINK = '#B0558A', SKY = '#2B7FB8',
  RUST = '#B84A00', OLIVE = '#706C12';
export const GREY = '#6E6E6E';         // a value that is not known
export const ROLE_COLORS = {
  kick: BLUE, snare: RUST, sidestick: SKY, clap: SKY, hat_closed: ORANGE, hat_pedal: ORANGE,
  hat_open: ORANGE, tom: GREEN, crash: PINK, ride: PINK, ride_bell: PINK, splash: PINK, china: PINK,
  cowbell: OLIVE, tambourine: OLIVE, shaker: OLIVE, wood: OLIVE, conga_bongo: GREEN,
  timbale_agogo: GREEN, other: GREY,
};
export const MARK_COLORS = { '': GREY, master: GREEN, spare: BLUE, 'no-good': RUST };
export const SESSION_COLORS = [BLUE, ORANGE, GREEN, PINK, SKY, RUST, OLIVE, GREY];   // in rotation
export const RAMP = ['#0072B2', '#6FA3C4', '#B9B4A6', '#DE9A5E', '#D55E00'];   // low to high
export const UNKNOWN_RANK = 255;

const LIGHTER = .4;                    // share of white in colors on a dark map

const lighten = color => color.map(v => Math.round(v + (255 - v) * LIGHTER));
const rgbOf = hex => [1, 3, 5].map(k => parseInt(hex.slice(k, k + 2), 16));

export const scheme = { dark: false };  // of the page, for icons

export function roleColor(role) {      // of an icon on the page's ground
  const rgb = rgbOf(ROLE_COLORS[role] ?? GREY);
  return `rgb(${(scheme.dark ? lighten(rgb) : rgb).join()})`;
}

export function rampColor(rank) {      // 0 to 254 along the ramp, as [red, green, blue]
  if (rank === UNKNOWN_RANK) return rgbOf(GREY);
  const position = rank / 254 * (RAMP.length - 1), k = Math.min(RAMP.length - 2, Math.floor(position));
  const low = rgbOf(RAMP[k]), high = rgbOf(RAMP[k + 1]);
  return low.map((value, i) => Math.round(value + (high[i] - value) * (position - k)));
}

// Return a palette of 0xBBGGRR and the index into it of each point; colors are lighter on a dark map.
export function colorPoints(points, scale, dark) {
  const pack = color => {
    const [red, green, blue] = dark ? lighten(color) : color;
    return blue << 16 | green << 8 | red;
  };
  const palette = colors => Int32Array.from(colors, pack);
  if (scale === 'role') return [points.role, palette(ROLES.map(role => rgbOf(ROLE_COLORS[role] ?? GREY)))];
  if (scale === 'mark') return [points.mark, palette(MARKS.map(mark => rgbOf(MARK_COLORS[mark] ?? GREY)))];
  if (scale === 'session') {
    const colorOf = (_, k) => rgbOf(SESSION_COLORS[k % SESSION_COLORS.length]);
    return [points.session, palette(points.sessions.map(colorOf))];
  }
  return [points.scales[scale], palette(Array.from({ length: 256 }, (_, rank) => rampColor(rank)))];
}
