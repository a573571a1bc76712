// Draw all marks into one image; a drawing call for each of 100,000 points would be too slow.

import { MARKS, ROLES } from '../constants.js';
import { UNKNOWN_RANK, colorPoints } from '../drawing/colors.js';
import { cutStencils } from '../drawing/marks.js';
import { isShown } from './points.js';

// Opacities of a mark that the search excludes, of one without a value to color, and of all others.
const OPACITIES = [.13, .4, 1], FAINT = 0, QUIET = 1, PLAIN = 2;
const NO_GOOD = MARKS.indexOf('no-good');   // drawn only if the search includes them

// Return for each role the pixels of its mark, their offsets into an image, and their opacities.
function computeStencils(radius, width) {
  const { size, stencils } = cutStencils(ROLES, radius);
  const layOut = pixels => {
    const offsets = new Int32Array(pixels.length / 3)
      .map((_, k) => pixels[3 * k] + width * pixels[3 * k + 1]);
    const opacities = OPACITIES.map(share => Uint8Array.from(offsets, (_, k) => pixels[3 * k + 2] * share));
    return { pixels, offsets, opacities };
  };
  return { size, marks: stencils.map(layOut) };
}

function makeRaster() {                // reuses its image and stencils between frames
  const canvas = document.createElement('canvas'), raster = { canvas, image: null, pixels: null };
  let stencils = null, stencilsFor = '';
  raster.clear = (width, height) => {
    if (raster.image?.width === width && raster.image.height === height) {
      raster.pixels.fill(0);
      return;
    }
    canvas.width = width;
    canvas.height = height;
    raster.image = new ImageData(width, height);
    raster.pixels = new Int32Array(raster.image.data.buffer);
  };
  raster.stencils = (radius, width) => {
    const key = `${radius.toFixed(1)} ${width}`;
    if (key !== stencilsFor) {
      stencils = computeStencils(Number(radius.toFixed(1)), width);
      stencilsFor = key;
    }
    return stencils;
  };
  return raster;
}

// Draw row k at (x[k] * ax + bx, y[k] * ay + by), and the rows outside the mask below the others.
function paintMarks(raster, points, mask, { width, height, radius, scale, dark, ax, bx, ay, by }) {
  const { size, marks } = raster.stencils(radius, width), target = raster.pixels;
  const [colorOf, palette] = colorPoints(points, scale, dark), { n, x: xs, y: ys, role: roles } = points;
  const unknown = scale === 'mark' ? 0 : scale in points.scales ? UNKNOWN_RANK : -1;
  // Keep the higher opacity; blending is too slow, because this runs for each pixel of each point.
  const stamp = (k, strength) => {
    const x = Math.round(xs[k] * ax + bx), y = Math.round(ys[k] * ay + by);
    if (x < -size || y < -size || x >= width + size || y >= height + size) return;
    const { pixels, offsets, opacities } = marks[roles[k]], color = palette[colorOf[k]];
    const opacity = opacities[strength], center = x + width * y;
    if (x >= size && y >= size && x < width - size && y < height - size) {
      for (let s = 0; s < offsets.length; s++) {
        const at = center + offsets[s];
        if (opacity[s] >= target[at] >>> 24) target[at] = opacity[s] << 24 | color;
      }
      return;
    }
    for (let s = 0; s < opacity.length; s++) {   // at an edge each pixel is checked
      const px = x + pixels[3 * s], py = y + pixels[3 * s + 1], at = px + width * py;
      if (px < 0 || py < 0 || px >= width || py >= height) continue;
      if (opacity[s] >= target[at] >>> 24) target[at] = opacity[s] << 24 | color;
    }
  };
  if (mask) for (let k = 0; k < n; k++) if (!isShown(mask, k) && points.mark[k] !== NO_GOOD) stamp(k, FAINT);
  for (let k = 0; k < n; k++) if (isShown(mask, k)) stamp(k, colorOf[k] === unknown ? QUIET : PLAIN);
}

// frame: {view, size: {w, h}, ratio, radius, dark, density}; sizes in CSS pixels, `ratio` device pixels.
export function makePainter(canvas) {
  const raster = makeRaster();
  return (points, mask, { view, size, ratio, radius, dark, density }) => {
    const context = canvas.getContext('2d'), { width, height } = canvas;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, width, height);
    if (!points) return;
    raster.clear(width, height);
    const ax = size.w * view.zoom * ratio, ay = -size.h * view.zoom * ratio;
    const bx = width / 2 - view.cx * ax, by = height / 2 - view.cy * ay;
    paintMarks(raster, points, mask,
      { width, height, radius: radius * ratio, scale: view.color, dark, ax, bx, ay, by });
    raster.canvas.getContext('2d').putImageData(raster.image, 0, 0);
    context.imageSmoothingEnabled = true;
    if (density) context.drawImage(density, bx, by + ay, ax, -ay);
    context.drawImage(raster.canvas, 0, 0);
  };
}
