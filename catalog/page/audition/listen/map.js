// The map: points as pixels of one image, hover and selection on a second canvas above it.

const GRID = 128;                      // cells along each side for finding what is under the pointer
const REACH_PX = 14;                   // a point farther from the pointer is not meant
const REST_MS = 70;                    // a pointer that only passes by plays nothing
const N_AHEAD = 24;                    // previews fetched around the pointer
const N_SCALES = 8;                    // numbers that a point may be colored by
const VIEWS = new Map();               // centre, zoom and choice outlive a new mount

function unpackPoints(body) {
  const n = new Uint32Array(body, 0, 1)[0];
  let at = 4;
  const take = (Kind, bytes) => { const part = body.slice(at, at + n * bytes); at += n * bytes; return new Kind(part); };
  const p = { n, ids: take(Int32Array, 4), stamps: take(Uint32Array, 4), x: take(Float32Array, 4),
    y: take(Float32Array, 4), match: take(Float32Array, 4), session: take(Uint16Array, 2),
    role: take(Uint8Array, 1), mark: take(Uint8Array, 1) };
  const told = new Uint8Array(body, at + N_SCALES * n), legend = JSON.parse(new TextDecoder().decode(told));
  p.scales = Object.fromEntries(legend.scales.map(name => [name, take(Uint8Array, 1)]));
  p.sessions = legend.sessions;
  p.regions = legend.regions;
  p.row = new Map(Array.from(p.ids, (id, k) => [id, k]));
  const cell = k => Math.min(GRID - 1, p.x[k] * GRID | 0) + GRID * Math.min(GRID - 1, p.y[k] * GRID | 0);
  p.first = new Uint32Array(GRID * GRID + 1);
  for (let k = 0; k < n; k++) p.first[cell(k) + 1]++;
  for (let c = 0; c < GRID * GRID; c++) p.first[c + 1] += p.first[c];
  const next = p.first.slice();
  p.order = new Uint32Array(n);
  for (let k = 0; k < n; k++) p.order[next[cell(k)]++] = k;
  return p;
}

function makeMap(root, name, ask) {    // ask: {choose(hit), hover(hit)}
  const view = VIEWS.get(name) ?? { cx: .5, cy: .5, zoom: 1, chosen: null, color: 'role' };
  VIEWS.set(name, view);
  const land = el('canvas', { class: 'layer', 'aria-hidden': 'true' });
  const over = el('canvas', { class: 'layer front', tabIndex: 0, role: 'application',
    'aria-label': 'Map of hits; like sounds lie close together. Arrow keys walk to the next hit, '
      + 'space plays it again, plus and minus zoom.' });
  const box = el('div', { class: 'map' }, land, over);
  const m = { box, over, view, points: null, mask: null, hover: -1, words: {}, regions: [] };
  let w = 0, h = 0, dpr = 1, frame = 0, drift = null;

  const scale = () => [w * view.zoom, h * view.zoom];
  const toScreen = k => { const [sx, sy] = scale(); return [
    (m.points.x[k] - view.cx) * sx + w / 2, (view.cy - m.points.y[k]) * sy + h / 2]; };
  const fromScreen = (px, py) => { const [sx, sy] = scale(); return [
    (px - w / 2) / sx + view.cx, view.cy - (py - h / 2) / sy]; };
  const shown = k => !m.mask || m.mask[k >> 3] & (128 >> (k & 7));
  const hitAt = k => ({ id: m.points.ids[k], stamp: m.points.stamps[k], match_db: m.points.match[k] });
  m.hitOf = id => m.points?.row.has(id) ? hitAt(m.points.row.get(id)) : null;
  const radius = () => {
    const base = m.points.n > 20000 ? 2 : m.points.n > 3000 ? 3 : m.points.n > 800 ? 4 : 5.5;
    return Math.min(9, base * Math.sqrt(Math.sqrt(view.zoom)) * (w < 500 ? .85 : 1));
  };

  const colors = () => {
    const dark = m.dark, lift = c => dark ? c.map(v => Math.round(v + (255 - v) * .25)) : c;
    if (view.color === 'role') {
      const table = m.roles.map(role => lift(rgb(ROLE_COLORS[role] ?? GREY)));
      return k => table[m.points.role[k]];
    }
    if (view.color === 'session') {
      const table = CYCLE.map(c => lift(rgb(c)));
      return k => table[m.points.session[k] % table.length];
    }
    const table = Array.from({ length: 256 }, (_, k) => lift(rampColor(k))), rank = m.points.scales[view.color];
    return k => table[rank[k]];
  };

  // Soft ground under the crowds: three steps of density, like land on a paper map.
  const shadeGround = g => {
    const side = 160, field = new Float32Array(side * side), pass = new Float32Array(side * side);
    for (let k = 0; k < m.points.n; k++) {
      const i = Math.min(side - 1, m.points.x[k] * side | 0), j = Math.min(side - 1, (1 - m.points.y[k]) * side | 0);
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
    const [r0, g0, b0] = m.dark ? [235, 220, 190] : [120, 90, 40];
    field.forEach((v, c) => {
      const level = v / top > .45 ? 3 : v / top > .16 ? 2 : v / top > .035 ? 1 : 0;
      image.data.set([r0, g0, b0, level * (m.dark ? 11 : 14)], 4 * c);
    });
    const small = document.createElement('canvas');
    small.width = small.height = side;
    small.getContext('2d').putImageData(image, 0, 0);
    m.ground = small;
  };

  const drawPoints = () => {
    const g = land.getContext('2d');
    g.setTransform(1, 0, 0, 1, 0, 0);
    g.clearRect(0, 0, land.width, land.height);
    if (!m.points) return;
    const W = land.width, H = land.height, image = new ImageData(W, H), out = image.data;
    const stencils = cutStencils(m.roles, radius() * dpr), color = colors(), pixels = new Uint32Array(out.buffer);
    const edge = stencils.reach, [sx, sy] = scale();
    // The stronger coverage wins: no mixing, because this runs for each pixel of each point.
    const put = (k, strength) => {
      const x0 = Math.round(((m.points.x[k] - view.cx) * sx + w / 2) * dpr);
      const y0 = Math.round(((view.cy - m.points.y[k]) * sy + h / 2) * dpr);
      if (x0 < -edge || y0 < -edge || x0 >= W + edge || y0 >= H + edge) return;
      const inside = x0 >= edge && y0 >= edge && x0 < W - edge && y0 < H - edge;
      const spots = stencils[m.points.role[k]], [r, gr, b] = color(k), tint = b << 16 | gr << 8 | r;
      for (let s = 0; s < spots.length; s += 3) {
        const x = x0 + spots[s], y = y0 + spots[s + 1];
        if (!inside && (x < 0 || y < 0 || x >= W || y >= H)) continue;
        const at = x + W * y, cover = spots[s + 2] * strength | 0;
        if (cover >= pixels[at] >>> 24) pixels[at] = cover << 24 | tint;
      }
    };
    for (let k = 0; k < m.points.n; k++) if (!shown(k)) put(k, .13);
    for (let k = 0; k < m.points.n; k++) if (shown(k)) put(k, .88);
    const layer = drawPoints.layer ??= document.createElement('canvas');
    layer.width = W; layer.height = H;
    layer.getContext('2d').putImageData(image, 0, 0);
    if (m.ground) {
      const [sx, sy] = scale();
      g.imageSmoothingEnabled = true;
      g.drawImage(m.ground, ((0 - view.cx) * sx + w / 2) * dpr, ((view.cy - 1) * sy + h / 2) * dpr, sx * dpr, sy * dpr);
    }
    g.drawImage(layer, 0, 0);
    m.frames = (m.frames ?? 0) + 1;
  };

  const drawOver = () => {
    const g = over.getContext('2d');
    g.setTransform(dpr, 0, 0, dpr, 0, 0);
    g.clearRect(0, 0, w, h);
    if (!m.points) return;
    g.textAlign = 'center';
    g.font = `italic 600 ${w < 500 ? 12 : 14}px Georgia, "Times New Roman", serif`;
    const placed = [];
    for (const [role, x, y] of m.regions) {
      const px = (x - view.cx) * w * view.zoom + w / 2, py = (view.cy - y) * h * view.zoom + h / 2 - 16;
      const text = m.words.regions?.[role] ?? role, half = g.measureText(text).width / 2 + 4;
      if (placed.some(([a, b, c]) => Math.abs(a - px) < c + half && Math.abs(b - py) < 18)) continue;
      placed.push([px, py, half]);
      g.lineWidth = 4; g.lineJoin = 'round';
      g.strokeStyle = m.dark ? 'rgba(36,34,31,.85)' : 'rgba(251,248,241,.9)';
      g.strokeText(text, px, py);
      g.fillStyle = inkOf(over);
      g.fillText(text, px, py);
    }
    const ring = (k, r, width) => {
      const [px, py] = toScreen(k);
      g.beginPath(); g.arc(px, py, r, 0, 7);
      g.lineWidth = width + 2; g.strokeStyle = m.dark ? '#24221F' : '#FBF8F1'; g.stroke();
      g.lineWidth = width; g.strokeStyle = inkOf(over); g.stroke();
    };
    if (m.hover >= 0) ring(m.hover, radius() + 4, 1.5);
    const k = m.points.row.get(view.chosen);
    if (k !== undefined) ring(k, radius() + 6, 2.5);
  };
  m.draw = () => {
    cancelAnimationFrame(frame);
    frame = requestAnimationFrame(() => { drawPoints(); drawOver(); });
  };

  const near = (px, py, count) => {    // rows by distance on the screen, nearest first
    if (!m.points) return [];
    const [x, y] = fromScreen(px, py), [sx, sy] = scale(), found = [];
    const reach = count > 1 ? 90 : REACH_PX, dx = reach / sx, dy = reach / sy;
    const lo = v => Math.max(0, Math.floor(v * GRID)), hi = v => Math.min(GRID - 1, Math.floor(v * GRID));
    for (let j = lo(y - dy); j <= hi(y + dy); j++) for (let i = lo(x - dx); i <= hi(x + dx); i++) {
      for (let s = m.points.first[i + GRID * j]; s < m.points.first[i + GRID * j + 1]; s++) {
        const k = m.points.order[s];
        if (!shown(k)) continue;
        const d = Math.hypot((m.points.x[k] - x) * sx, (m.points.y[k] - y) * sy);
        if (d <= reach) found.push([d, k]);
      }
    }
    return found.sort((a, b) => a[0] - b[0]).slice(0, count).map(pair => pair[1]);
  };

  const aside = (ux, uy) => {          // the nearest hit that lies roughly in that direction
    const from = m.points.row.get(view.chosen), [sx, sy] = scale();
    const x0 = from === undefined ? view.cx : m.points.x[from], y0 = from === undefined ? view.cy : m.points.y[from];
    let best = -1, least = Infinity;
    for (let k = 0; k < m.points.n; k++) {
      if (k === from || !shown(k)) continue;
      const dx = (m.points.x[k] - x0) * sx, dy = (m.points.y[k] - y0) * sy, d = Math.hypot(dx, dy);
      const along = d ? (dx * ux + dy * uy) / d : 0;
      if (along > .5 && d / along ** 2 < least) { least = d / along ** 2; best = k; }
    }
    return best;
  };
  const walk = (ux, uy) => {
    const k = aside(ux, uy);
    if (k >= 0) m.choose(m.points.ids[k]);
  };
  const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  let soon = 0;
  const fetchAround = (px, py) => {    // where the arrow keys lead from here, once the hand rests
    clearTimeout(soon);
    soon = setTimeout(async () => {
      const next = Object.values(WAYS).map(way => aside(...way)).filter(k => k >= 0);
      await Promise.allSettled(next.map(k => engine.load(hitAt(k))));
      engine.prefetch(near(px, py, N_AHEAD).map(hitAt));
    }, 120);
  };

  m.choose = (id, { play = true } = {}) => {
    const hit = m.hitOf(id);
    view.chosen = id;
    if (hit) {
      const [px, py] = toScreen(m.points.row.get(id));
      if (px < 10 || py < 10 || px > w - 10 || py > h - 10) {
        view.cx = m.points.x[m.points.row.get(id)]; view.cy = m.points.y[m.points.row.get(id)];
        m.draw();
      }
      if (play) engine.play(hit);
      fetchAround(px, py);
    }
    drawOver();
    ask.choose(id);
  };
  m.zoom = (factor, px = w / 2, py = h / 2) => {
    const [x, y] = fromScreen(px, py);
    view.zoom = Math.max(1, Math.min(60, view.zoom * factor));
    const [sx, sy] = scale();
    view.cx = x - (px - w / 2) / sx; view.cy = y + (py - h / 2) / sy;
    if (view.zoom === 1) { view.cx = view.cy = .5; }
    m.draw();
  };
  m.all = () => { view.zoom = 1; view.cx = view.cy = .5; m.draw(); };

  let rest = 0, ahead = 0;
  const point = event => { const r = over.getBoundingClientRect(); return [event.clientX - r.left, event.clientY - r.top]; };
  over.addEventListener('pointerdown', event => {
    const [px, py] = point(event);
    drift = { px, py, cx: view.cx, cy: view.cy, moved: false };
    if (event.pointerType === 'mouse') over.setPointerCapture(event.pointerId);
  });
  over.addEventListener('pointermove', event => {
    const [px, py] = point(event);
    if (drift && (drift.moved || Math.hypot(px - drift.px, py - drift.py) > 4)) {
      drift.moved = true;
      const [sx, sy] = scale();
      view.cx = drift.cx - (px - drift.px) / sx; view.cy = drift.cy + (py - drift.py) / sy;
      m.draw();
      return;
    }
    if (event.pointerType !== 'mouse') return;
    const k = near(px, py, 1)[0] ?? -1;
    if (k === m.hover) return;
    m.hover = k;
    drawOver();
    over.style.cursor = k >= 0 ? 'pointer' : 'grab';
    clearTimeout(rest); clearTimeout(ahead);
    ahead = setTimeout(() => {
      if (!engine.awake()) return;
      engine.prefetch(near(px, py, N_AHEAD).map(hitAt));
      if (k >= 0) engine.load(hitAt(k)).catch(() => {});   // a click that follows finds it decoded
    }, 25);
    ask.hover(k >= 0 ? m.points.ids[k] : null);
    if (k >= 0 && engine.rest) rest = setTimeout(() => engine.play(hitAt(k), { brief: true }), REST_MS);
  });
  over.addEventListener('pointerup', event => {
    const still = drift && !drift.moved, [px, py] = point(event);
    drift = null;
    const k = still ? near(px, py, 1)[0] : undefined;
    if (k !== undefined) { clearTimeout(rest); m.choose(m.points.ids[k]); }
  });
  ['pointercancel', 'pointerleave'].forEach(kind => over.addEventListener(kind, () => {
    drift = kind === 'pointercancel' ? null : drift; clearTimeout(rest);
    if (m.hover >= 0) { m.hover = -1; drawOver(); ask.hover(null); }
  }));
  over.addEventListener('wheel', event => {       // only once the map is in use: the page must scroll
    if (over.getRootNode().activeElement !== over && !event.ctrlKey) return;
    event.preventDefault();
    m.zoom(Math.exp(-event.deltaY * .0015), ...point(event));
  }, { passive: false });
  over.addEventListener('keydown', event => {
    if (!m.points || event.ctrlKey || event.metaKey || event.altKey) return;
    if (WAYS[event.key]) { ownKey(event); walk(...WAYS[event.key]); }
    else if (event.key === ' ') { ownKey(event); const hit = m.hitOf(view.chosen); if (hit) engine.play(hit); }
    else if (event.key === '+' || event.key === '=') { ownKey(event); m.zoom(1.4); }
    else if (event.key === '-') { ownKey(event); m.zoom(1 / 1.4); }
    else if (event.key === '0') { ownKey(event); m.all(); }
  });

  const measure = () => {
    const r = box.getBoundingClientRect();
    if (r.width < 2) return;
    w = r.width; h = r.height; dpr = Math.min(2, window.devicePixelRatio || 1);
    [land, over].forEach(canvas => { canvas.width = Math.round(w * dpr); canvas.height = Math.round(h * dpr); });
    drawPoints(); drawOver();
  };
  const watch = new ResizeObserver(measure);
  watch.observe(box);
  m.setPoints = points => { m.points = points; shadeGround(); measure(); };
  m.said = changed => {                // [[id, role, mark], ...] as the server tells it
    for (const [id, role, mark] of changed) {
      const k = m.points?.row.get(id);
      if (k !== undefined) { m.points.role[k] = role; m.points.mark[k] = mark; }
    }
    m.draw();
  };
  m.setMask = mask => { m.mask = mask; m.draw(); };
  m.setDark = dark => { if (dark !== m.dark) { m.dark = dark; if (m.points) { shadeGround(); m.draw(); } } };
  m.screenOf = id => { const k = m.points?.row.get(id); return k === undefined ? null : toScreen(k); };
  m.end = () => { watch.disconnect(); clearTimeout(rest); clearTimeout(ahead); clearTimeout(soon); };
  return m;
}
