// Marks on the map: shape says the role, color what the person picks. Colors: Okabe and Ito's set,
// which holds for the common kinds of color blindness (M. Okabe, K. Ito, "Color Universal Design",
// 2008); every mark also differs in shape.

import { el, sizeCanvas } from '../shared/dom.js';

const SHAPES = {
  kick: ['disc', 1], snare: ['square', 1], sidestick: ['square', 0], clap: ['cross', 1],
  hat_closed: ['up', 1], hat_pedal: ['down', 1], hat_open: ['up', 0], tom: ['diamond', 1],
  crash: ['star', 1], ride: ['disc', 0], ride_bell: ['down', 0], splash: ['star', 0],
  china: ['plus', 1], cowbell: ['bar', 1], tambourine: ['diamond', 0], shaker: ['post', 1],
  wood: ['bar', 0], conga_bongo: ['plus', 0], timbale_agogo: ['post', 0], other: ['dot', 1],
};
const BLUE = '#0072B2', ORANGE = '#E69F00', GREEN = '#009E73', PINK = '#CC79A7', SKY = '#56B4E9',
  RUST = '#D55E00', GREY = '#8C8C8C', OLIVE = '#8F8A1E';
const ROLE_COLORS = {
  kick: BLUE, snare: RUST, sidestick: SKY, clap: SKY, hat_closed: ORANGE, hat_pedal: ORANGE,
  hat_open: ORANGE, tom: GREEN, crash: PINK, ride: PINK, ride_bell: PINK, splash: PINK, china: PINK,
  cowbell: OLIVE, tambourine: OLIVE, shaker: OLIVE, wood: OLIVE, conga_bongo: GREEN,
  timbale_agogo: GREEN, other: GREY,
};
const CYCLE = [BLUE, ORANGE, GREEN, PINK, SKY, RUST, OLIVE, GREY];
const RAMP = ['#0072B2', '#6FA3C4', '#B9B4A6', '#DE9A5E', '#D55E00'];  // low to high

const rgb = hex => [1, 3, 5].map(k => parseInt(hex.slice(k, k + 2), 16));
function rampColor(rank) {
  if (rank === 255) return rgb(GREY);
  const at = rank / 254 * (RAMP.length - 1), k = Math.min(RAMP.length - 2, Math.floor(at));
  const a = rgb(RAMP[k]), b = rgb(RAMP[k + 1]);
  return a.map((v, i) => Math.round(v + (b[i] - v) * (at - k)));
}

function tracePath(g, shape, x, y, r) {
  g.beginPath();
  const corners = {
    square: [[-.85, -.85], [.85, -.85], [.85, .85], [-.85, .85]],
    up: [[0, -1.05], [1, .8], [-1, .8]], down: [[0, 1.05], [1, -.8], [-1, -.8]],
    diamond: [[0, -1.15], [1, 0], [0, 1.15], [-1, 0]],
    bar: [[-1.1, -.42], [1.1, -.42], [1.1, .42], [-1.1, .42]],
    post: [[-.42, -1.1], [.42, -1.1], [.42, 1.1], [-.42, 1.1]],
    plus: [[-.36, -1], [.36, -1], [.36, -.36], [1, -.36], [1, .36], [.36, .36], [.36, 1],
      [-.36, 1], [-.36, .36], [-1, .36], [-1, -.36], [-.36, -.36]],
  };
  corners.cross = corners.plus.map(([a, b]) => [(a - b) * .75, (a + b) * .75]);
  corners.star = Array.from({ length: 10 }, (_, k) => {
    const far = k % 2 ? .5 : 1.2, turn = -Math.PI / 2 + k * Math.PI / 5;
    return [far * Math.cos(turn), far * Math.sin(turn)];
  });
  if (shape === 'disc') g.arc(x, y, r, 0, 7);
  else if (shape === 'dot') g.arc(x, y, r * .55, 0, 7);
  else corners[shape].forEach(([a, b], k) => g[k ? 'lineTo' : 'moveTo'](x + a * r, y + b * r));
  g.closePath();
}

function drawMark(g, role, x, y, r, color) {
  const [shape, filled] = SHAPES[role] ?? SHAPES.other;
  tracePath(g, shape, x, y, filled ? r : r * .9);
  if (filled) { g.fillStyle = color; g.fill(); }
  else { g.lineWidth = Math.max(1.2, r * .42); g.strokeStyle = color; g.stroke(); }
}

// The coverage of each mark, once per size: the raster below mixes it with a color.
function cutStencils(roles, r) {
  const size = Math.ceil(r * 2.6) | 1, canvas = document.createElement('canvas');
  canvas.width = canvas.height = size;
  const g = canvas.getContext('2d', { willReadFrequently: true });
  const cut = roles.map(role => {
    g.clearRect(0, 0, size, size);
    drawMark(g, role, size / 2, size / 2, r, '#000');
    const cover = g.getImageData(0, 0, size, size).data, spots = [], half = size >> 1;
    for (let k = 0; k < size * size; k++) {
      if (cover[4 * k + 3] > 8) spots.push(k % size - half, Math.floor(k / size) - half, cover[4 * k + 3]);
    }
    return Int16Array.from(spots);
  });
  cut.reach = size;
  return cut;
}

function markIcon(role, color) {
  const canvas = el('canvas', { class: 'mark', 'aria-hidden': 'true' }), g = sizeCanvas(canvas, 14, 14);
  drawMark(g, role, 7, 7, 5, color ?? ROLE_COLORS[role]);
  return canvas;
}

export { BLUE, GREEN, RUST, GREY, ROLE_COLORS, CYCLE, RAMP, rgb, rampColor, cutStencils, markIcon };
