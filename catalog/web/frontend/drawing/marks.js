// Marks on the map: the shape shows the role, the color shows a property that the user selects.

import { el } from '../shared/dom.js';
import { pixelRatio, sizeCanvas } from './canvas.js';
import { roleColor } from './colors.js';

const SHAPES = {                       // role -> shape, 1 if filled
  kick: ['disc', 1], snare: ['square', 1], sidestick: ['square', 0], clap: ['cross', 1],
  hat_closed: ['up', 1], hat_pedal: ['down', 1], hat_open: ['up', 0], tom: ['diamond', 1],
  crash: ['star', 1], ride: ['disc', 0], ride_bell: ['down', 0], splash: ['star', 0],
  china: ['plus', 1], cowbell: ['bar', 1], tambourine: ['diamond', 0], shaker: ['post', 1],
  wood: ['bar', 0], conga_bongo: ['plus', 0], timbale_agogo: ['post', 0], other: ['dot', 1],
};
const CORNERS = {                      // in radii of a mark
  square: [[-.85, -.85], [.85, -.85], [.85, .85], [-.85, .85]],
  up: [[0, -1.05], [1, .8], [-1, .8]], down: [[0, 1.05], [1, -.8], [-1, -.8]],
  diamond: [[0, -1.15], [1, 0], [0, 1.15], [-1, 0]],
  bar: [[-1.1, -.42], [1.1, -.42], [1.1, .42], [-1.1, .42]],
  post: [[-.42, -1.1], [.42, -1.1], [.42, 1.1], [-.42, 1.1]],
  plus: [[-.36, -1], [.36, -1], [.36, -.36], [1, -.36], [1, .36], [.36, .36], [.36, 1],
    [-.36, 1], [-.36, .36], [-1, .36], [-1, -.36], [-.36, -.36]],
};
CORNERS.cross = CORNERS.plus.map(([x, y]) => [(x - y) * .75, (x + y) * .75]);
CORNERS.star = Array.from({ length: 10 }, (_, k) => {
  const radius = k % 2 ? .5 : 1.2, angle = -Math.PI / 2 + k * Math.PI / 5;
  return [radius * Math.cos(angle), radius * Math.sin(angle)];
});
const OPAQUE_ENOUGH = 8;               // of 255; fainter pixels of a mark's edge are left out

function traceShape(context, shape, x, y, radius) {
  context.beginPath();
  if (shape === 'disc') context.arc(x, y, radius, 0, 7);
  else if (shape === 'dot') context.arc(x, y, radius * .55, 0, 7);
  else CORNERS[shape].forEach(([cx, cy]) => context.lineTo(x + cx * radius, y + cy * radius));
  context.closePath();
}

function drawMark(context, role, x, y, radius, color) {
  const [shape, filled] = SHAPES[role] ?? SHAPES.other;
  traceShape(context, shape, x, y, filled ? radius : radius * .9);
  if (filled) {
    context.fillStyle = color;
    context.fill();
  } else {
    context.lineWidth = Math.max(1.2, radius * .42);
    context.strokeStyle = color;
    context.stroke();
  }
}

// Return the side of a stencil and, for each role, [dx, dy, opacity] of each pixel it covers, flat.
export function cutStencils(roles, radius) {
  const size = Math.ceil(radius * 2.6) | 1, half = size >> 1;
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = size;
  const context = canvas.getContext('2d', { willReadFrequently: true });
  const stencils = roles.map(role => {
    context.clearRect(0, 0, size, size);
    drawMark(context, role, size / 2, size / 2, radius, '#000');
    const { data } = context.getImageData(0, 0, size, size), pixels = [];
    for (let k = 0; k < size * size; k++) {
      const opacity = data[4 * k + 3];
      if (opacity > OPAQUE_ENOUGH) pixels.push(k % size - half, Math.floor(k / size) - half, opacity);
    }
    return Int16Array.from(pixels);
  });
  return { size, stencils };
}

const pictures = new Map();             // "role color ratio" -> address of its picture

// The mark of a role as a picture that elements share: a list paints it faster than a canvas for each row.
export function markPicture(role, color = roleColor(role)) {
  const key = `${role} ${color} ${pixelRatio()}`;
  if (!pictures.has(key)) pictures.set(key, `url(${markIcon(role, color).toDataURL()})`);
  return pictures.get(key);
}

export function markIcon(role, color = roleColor(role)) {
  const canvas = el('canvas', { class: 'mark', 'aria-hidden': 'true' });
  drawMark(sizeCanvas(canvas, 14, 14), role, 7, 7, 5, color);
  return canvas;
}
