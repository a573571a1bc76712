// What lies above the marks: names of regions, rings, the line drawn around hits, signs of marks.

import { MARK_SIGNS } from '../browse/hit_rows.js';
import { WORDS } from '../constants.js';
import { inkOf, accentOf } from '../shared/dom.js';

const SIGNS_UP_TO = 400;               // signs beside marks; more would hide the map

function makeOverlay(canvas) {
  const paper = dark => dark ? '#24221F' : '#FBF8F1';

  const drawNames = (g, m, w, h) => {
    g.textAlign = 'center';
    g.font = `italic 600 ${w < 500 ? 12 : 14}px Georgia, "Times New Roman", serif`;
    const placed = [];
    for (const [role, x, y] of m.points.regions) {
      const [at, above] = m.placeOf(x, y), text = WORDS.regions[role] ?? role, half = g.measureText(text).width / 2 + 4;
      if (at < 0 || above < 0 || at > w || above > h) continue;
      const px = Math.max(half, Math.min(w - half, at)), py = Math.max(16, above - 16);   // whole, also at the edge
      if (placed.some(([a, b, c]) => Math.abs(a - px) < c + half && Math.abs(b - py) < 18)) continue;
      placed.push([px, py, half]);
      g.lineWidth = 4; g.lineJoin = 'round';
      g.strokeStyle = m.dark ? 'rgba(36,34,31,.85)' : 'rgba(251,248,241,.9)';
      g.strokeText(text, px, py);
      g.fillStyle = inkOf(canvas);
      g.fillText(text, px, py);
    }
  };
  const drawSigns = (g, m, w, h) => {  // colors alone must not say what is kept
    const rows = [];
    for (let k = 0; k < m.points.n && rows.length <= SIGNS_UP_TO; k++) {
      if (!m.points.mark[k] || !m.shown(k)) continue;
      const [px, py] = m.toScreen(k);
      if (px > 0 && py > 0 && px < w && py < h) rows.push([px, py, MARK_SIGNS[WORDS.marks[m.points.mark[k]]][0]]);
    }
    if (rows.length > SIGNS_UP_TO) return;
    g.font = '600 12px sans-serif';
    g.fillStyle = inkOf(canvas);
    for (const [px, py, sign] of rows) g.fillText(sign, px + m.radius() + 6, py + 4);
  };
  const drawLine = (g, m) => {
    if (!(m.line?.length > 1)) return;
    g.beginPath();
    m.line.forEach(([x, y], k) => g[k ? 'lineTo' : 'moveTo'](...m.placeOf(x, y)));
    if (!m.drawing) g.closePath();
    g.lineJoin = 'round';
    g.lineWidth = 4; g.strokeStyle = paper(m.dark); g.stroke();
    g.setLineDash([7, 5]);
    g.lineWidth = 2; g.strokeStyle = accentOf(canvas); g.stroke();
    g.setLineDash([]);
  };
  const ring = (g, m, k, r, width) => {
    const [px, py] = m.toScreen(k);
    g.beginPath(); g.arc(px, py, r, 0, 7);
    g.lineWidth = width + 2; g.strokeStyle = paper(m.dark); g.stroke();
    g.lineWidth = width; g.strokeStyle = inkOf(canvas); g.stroke();
  };

  return (m, { w, h, dpr }) => {
    const g = canvas.getContext('2d');
    g.setTransform(dpr, 0, 0, dpr, 0, 0);
    g.clearRect(0, 0, w, h);
    if (!m.points) return;
    drawNames(g, m, w, h);
    if (m.view.color === 'mark') drawSigns(g, m, w, h);
    drawLine(g, m);
    if (m.hover >= 0) ring(g, m, m.hover, m.radius() + 4, 1.5);
    const k = m.points.row.get(m.view.chosen);
    if (k !== undefined) ring(g, m, k, m.radius() + 6, 2.5);
  };
}

export { makeOverlay };
