// Soft shading where points gather, in three steps of density, like land on a paper map.

const SIDE = 160;                      // cells along each side
const BLUR_REACH = 4, N_BLURS = 3;     // three box blurs come close to a Gaussian
const STEPS = [.035, .16, .45];        // of the densest cell
const COLORS = { light: [120, 90, 40, 9], dark: [235, 220, 190, 11] };   // alpha of one step

function blurAlong(from, to, stride) {
  for (let cell = 0; cell < SIDE * SIDE; cell++) {
    const column = cell % SIDE;
    const low = stride === 1 ? Math.max(-BLUR_REACH, -column) : -BLUR_REACH;
    const high = stride === 1 ? Math.min(BLUR_REACH, SIDE - 1 - column) : BLUR_REACH;
    let sum = 0;
    for (let step = low; step <= high; step++) sum += from[cell + step * stride] ?? 0;
    to[cell] = sum / (2 * BLUR_REACH + 1);
  }
}

// Return the density step of each cell, 0 to 3, row by row from the top.
export function densitySteps(points) {
  const field = new Float32Array(SIDE * SIDE), pass = new Float32Array(SIDE * SIDE);
  for (let k = 0; k < points.n; k++) {
    const column = Math.min(SIDE - 1, points.x[k] * SIDE | 0);
    field[column + SIDE * Math.min(SIDE - 1, (1 - points.y[k]) * SIDE | 0)] += 1;
  }
  for (let k = 0; k < N_BLURS; k++) {
    blurAlong(field, pass, 1);
    blurAlong(pass, field, SIDE);
  }
  const densest = field.reduce((a, b) => Math.max(a, b), 1e-9);
  return Uint8Array.from(field, density => STEPS.filter(step => density / densest > step).length);
}

export function drawDensity(points, dark) {   // a canvas that covers the whole map
  const [red, green, blue, alpha] = dark ? COLORS.dark : COLORS.light, image = new ImageData(SIDE, SIDE);
  densitySteps(points).forEach((step, cell) =>
    image.data.set([red, green, blue, step * alpha], 4 * cell));
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = SIDE;
  canvas.getContext('2d').putImageData(image, 0, 0);
  return canvas;
}
