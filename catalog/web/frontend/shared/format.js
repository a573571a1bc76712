// Numbers and origins of hits as text; a missing value is a dash.

const MISSING = '–';
const isMissing = value => value === null || value === undefined;

export function formatSeconds(s) {
  if (isMissing(s)) return MISSING;
  return s < 1 ? `${Math.round(s * 1000)} ms` : `${s.toFixed(2)} s`;
}

export function formatHertz(hz) {
  if (isMissing(hz)) return MISSING;
  return hz < 1000 ? `${Math.round(hz)} Hz` : `${(hz / 1000).toFixed(1)} kHz`;
}

export const formatDecibels = (value, unit) =>
  isMissing(value) ? MISSING : `${value.toFixed(1).replace('-', '−')} ${unit}`;

export const describeOrigin = hit =>
  [hit.session, hit.drum, hit.microphone, hit.take && `take ${hit.take}`].filter(Boolean).join(' · ');

// The end of a name often is the number of the stroke, so that it stays in sight where the start is cut.
const SHORTEST_CUT = 14, N_END = 6;    // characters
const LATIN = /^[\u0020-\u024f]*$/;    // other scripts may join their letters
export const splitName = name => name.length < SHORTEST_CUT || !LATIN.test(name) ? [name, '']
  : [name.slice(0, -N_END), name.slice(-N_END)];
