// The marks as pixels of one image, and the ground below them: no drawing call for each point.

import { WORDS } from '../constants.js';
import { BLUE, GREEN, RUST, GREY, ROLE_COLORS, CYCLE, rgb, rampColor, cutStencils } from '../drawing/marks.js';

// How much a mark covers: one that does not fit, one whose color says nothing (no mark, number not
// known), and any other.
const COVERAGE = [.13, .4, .88], FAINT = 0, QUIET = 1, PLAIN = 2;
const MARK_COLORS = { '': GREY, keep: BLUE, reject: RUST, star: GREEN };

// Colors as (index per point, table of 0xBBGGRR); light ink on dark paper.
function tintsOf(points, color, dark) {
  const tint = c => { const [r, g, b] = dark ? c.map(v => Math.round(v + (255 - v) * .25)) : c; return b << 16 | g << 8 | r; };
  const cut = list => Int32Array.from(list, tint);
  if (color === 'role') return [points.role, cut(WORDS.order.map(role => rgb(ROLE_COLORS[role] ?? GREY)))];
  if (color === 'mark') return [points.mark, cut(WORDS.marks.map(mark => rgb(MARK_COLORS[mark] ?? GREY)))];
  if (color === 'session') return [points.session, cut(points.sessions.map((_, k) => rgb(CYCLE[k % CYCLE.length])))];
  return [points.scales[color], cut(Array.from({ length: 256 }, (_, k) => rampColor(k)))];
}

// Soft ground under the crowds: three steps of density, like land on a paper map.
function shadeGround(points, dark) {
  const side = 160, field = new Float32Array(side * side), pass = new Float32Array(side * side);
  for (let k = 0; k < points.n; k++) {
    const i = Math.min(side - 1, points.x[k] * side | 0), j = Math.min(side - 1, (1 - points.y[k]) * side | 0);
    field[i + side * j] += 1;
  }
  for (let round = 0; round < 3; round++) for (const [from, to, step] of [[field, pass, 1], [pass, field, side]]) {
    for (let c = 0; c < side * side; c++) {
      let sum = 0;
      const i = c % side, reach = step === 1 ? [Math.max(-4, -i), Math.min(4, side - 1 - i)] : [-4, 4];
      for (let d = reach[0]; d <= reach[1]; d++) sum += from[c + d * step] ?? 0;
      to[c] = sum / 9;
    }
  }
  const top = field.reduce((a, b) => Math.max(a, b), 1e-9), image = new ImageData(side, side);
  const [r, g, b] = dark ? [235, 220, 190] : [120, 90, 40];
  field.forEach((v, c) => {
    const level = v / top > .45 ? 3 : v / top > .16 ? 2 : v / top > .035 ? 1 : 0;
    image.data.set([r, g, b, level * (dark ? 11 : 14)], 4 * c);
  });
  const small = document.createElement('canvas');
  small.width = small.height = side;
  small.getContext('2d').putImageData(image, 0, 0);
  return small;
}

// The coverage of each role's mark: places as steps through the image, and how much each covers.
function layStencils(radius, width) {
  const cut = cutStencils(WORDS.order, radius);
  return { reach: cut.reach, marks: cut.map(spots => {
    const steps = new Int32Array(spots.length / 3).map((_, s) => spots[3 * s] + width * spots[3 * s + 1]);
    return { spots, steps, covers: COVERAGE.map(share => Uint8Array.from(steps, (_, s) => spots[3 * s + 2] * share)) };
  }) };
}

// frame: {W, H, dpr, sx, sy, view, radius}; keeps its image and stencils from frame to frame.
function makePainter(canvas) {
  const layer = document.createElement('canvas');
  let image = null, pixels = null, laid = null, laidFor = '';
  const stencilsFor = (radius, W) => {
    const key = `${radius.toFixed(1)} ${W}`;
    if (key !== laidFor) { laid = layStencils(Number(radius.toFixed(1)), W); laidFor = key; }
    return laid;
  };
  const fit = (W, H) => {
    if (image?.width !== W || image.height !== H) {
      layer.width = W; layer.height = H;
      image = new ImageData(W, H); pixels = new Int32Array(image.data.buffer);
    } else pixels.fill(0);
  };

  return (points, mask, { W, H, dpr, sx, sy, view, radius }, dark, ground) => {
    const g = canvas.getContext('2d');
    g.setTransform(1, 0, 0, 1, 0, 0);
    g.clearRect(0, 0, W, H);
    if (!points) return;
    fit(W, H);
    const { reach, marks } = stencilsFor(radius * dpr, W), [at, tints] = tintsOf(points, view.color, dark);
    const ax = sx * dpr, bx = W / 2 - view.cx * ax, ay = -sy * dpr, by = H / 2 - view.cy * ay;
    const to = pixels, xs = points.x, ys = points.y, roles = points.role, n = points.n;
    const nothing = view.color === 'mark' ? 0 : points.scales[view.color] ? 255 : -1;
    const fits = k => (mask[k >> 3] & (128 >> (k & 7))) !== 0;
    // The stronger coverage wins: no mixing, because this runs for each pixel of each point.
    const put = (k, strength) => {
      const x0 = Math.round(xs[k] * ax + bx), y0 = Math.round(ys[k] * ay + by);
      if (x0 < -reach || y0 < -reach || x0 >= W + reach || y0 >= H + reach) return;
      const mark = marks[roles[k]], cover = mark.covers[strength], tint = tints[at[k]], middle = x0 + W * y0;
      if (x0 >= reach && y0 >= reach && x0 < W - reach && y0 < H - reach) {
        const steps = mark.steps;
        for (let s = 0; s < steps.length; s++) {
          const spot = middle + steps[s], c = cover[s];
          if (c >= to[spot] >>> 24) to[spot] = c << 24 | tint;
        }
        return;
      }
      for (let s = 0; s < cover.length; s++) {
        const x = x0 + mark.spots[3 * s], y = y0 + mark.spots[3 * s + 1], c = cover[s];
        if (x >= 0 && y >= 0 && x < W && y < H && c >= to[x + W * y] >>> 24) to[x + W * y] = c << 24 | tint;
      }
    };
    if (mask) for (let k = 0; k < n; k++) if (!fits(k)) put(k, FAINT);
    for (let k = 0; k < n; k++) if (!mask || fits(k)) put(k, at[k] === nothing ? QUIET : PLAIN);
    layer.getContext('2d').putImageData(image, 0, 0);
    g.imageSmoothingEnabled = true;
    if (ground) g.drawImage(ground, -view.cx * ax + W / 2, (view.cy - 1) * sy * dpr + H / 2, ax, sy * dpr);
    g.drawImage(layer, 0, 0);
  };
}

export { MARK_COLORS, shadeGround, makePainter };
