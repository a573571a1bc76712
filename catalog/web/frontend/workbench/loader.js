// Fetches the hits, the map and the answer to a question, and watches for changes by other tabs and programs.

import { makeColumns } from '../find/columns.js';
import { needsServer } from '../find/question.js';
import { unpackPoints } from '../map/points.js';
import { annotations } from '../shared/annotations.js';
import { OUTDATED, fetchBytes, fetchJson, fetchOk } from '../shared/http.js';
import { kitSession } from '../shared/kit_session.js';

const WATCH_MS = 2500;                 // between two looks at the server
const LOST = 'The server does not answer. Start it again and open the address that it prints.';
const RESTARTED = 'The server was started again. Open the address that the terminal shows.';

export function makeLoader(state, { notice }) {
  const shown = { points: null, rows: null, warning: '' };
  let timer = 0, ticket = 0, isEnded = false, hasFailed = false, rowsBody = null, points = null;

  const loadHits = async now => {
    const needsPoints = now.points !== shown.points, needsRows = now.rows !== shown.rows;
    if (!needsPoints && !needsRows) return;
    const [pointsBody, body] = await Promise.all([
      needsPoints ? fetchBytes(`/api/points/${now.points}`) : null,
      needsRows ? fetchBytes(`/api/rows/${now.rows}`) : rowsBody]);
    if (pointsBody) points = unpackPoints(pointsBody);
    rowsBody = body;
    Object.assign(shown, { points: now.points, rows: now.rows });
    state.change({ columns: makeColumns(points, rowsBody) });
    if (needsServer(state.question)) await askServer();
  };
  const askServer = async () => {      // for the part of the question that needs the catalog
    const mine = ++ticket, { words, tags, ranges, unsure } = state.question;
    const marks = state.question.marks.map(mark => mark || 'none');
    if (!needsServer(state.question)) {
      if (state.found) state.change({ found: null, noGood: false });
      return;
    }
    try {
      const body = JSON.stringify({ query: words, tags, marks, ranges, unsure, points: shown.points });
      const answer = await fetchOk('/api/find', { method: 'POST', body });
      const found = new Uint8Array(await answer.arrayBuffer());
      const noGood = answer.headers.get('X-No-Good') === '1';   // the query names marks
      if (mine !== ticket) return;
      if (hasFailed) notice('');       // why the query before was not understood
      hasFailed = false;
      state.change({ found, noGood });
    } catch (error) {
      if (mine !== ticket || error.message === OUTDATED) return;   // asked again with the new hits
      hasFailed = true;
      notice(error.message);
    }
  };
  const look = async () => {
    clearTimeout(timer);
    try {
      const now = await fetchJson('/api/now');
      if (state.isLost) { state.change({ isLost: false }); notice(''); }
      await loadHits(now);
      kitSession.refresh({ kit_revision: now.kit, tab: state.tab });
      annotations.acts = now.acts;
      if (state.layoutState.includes('computed') && !now.layout) notice('The map was computed anew.');
      state.change({ scan: now.scan, layoutState: now.layout });
      if (now.warning !== shown.warning) {
        shown.warning = now.warning;
        if (now.warning) notice(now.warning);
      }
    } catch (error) {
      if (!isEnded && !(error instanceof Error && error.message === OUTDATED)) {
        state.change({ isLost: true });
        notice(error instanceof TypeError ? LOST : error.message.startsWith('This page opens') ? RESTARTED
          : error.message);
      }
    }
    if (!isEnded) timer = setTimeout(look, document.hidden ? 4 * WATCH_MS : WATCH_MS);
  };
  const unsubscribe = state.subscribe(['question'], askServer);
  return { look, stop: () => { isEnded = true; clearTimeout(timer); unsubscribe(); } };
}
