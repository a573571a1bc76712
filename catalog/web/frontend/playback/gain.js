// Arithmetic of level: decibels, velocity curves, and the fade of a choked stroke.

export const UNMATCHED_DB = -12;       // for a hit whose matched level is not known
const N_FADE_POINTS = 64;

export const gainOf = db => 10 ** (db / 20);

// Gain at a velocity from [velocity, gain] points in rising order, by straight lines between them.
export function velocityGain(curve, velocity) {
  const k = curve.findIndex(([v]) => v >= velocity);
  if (k < 0) return curve.at(-1)[1];
  if (k === 0) return curve[0][1];
  const [v0, g0] = curve[k - 1], [v1, g1] = curve[k];
  return g0 + (g1 - g0) * (velocity - v0) / (v1 - v0);
}

// A raised cosine from `gain` to 0, as the export fades a choked stroke.
export const chokeFade = gain => Float32Array.from({ length: N_FADE_POINTS },
  (_, k) => gain * (.5 + .5 * Math.cos(Math.PI * k / (N_FADE_POINTS - 1))));

// Return [voice, time] of each stroke that is to be choked when `voice` joins its choke group: a stroke
// stops those that began before it, and is stopped by the first one planned after it.
export function planChokes(group, voice) {
  const later = group.filter(other => other.when > voice.when);
  const chokes = group.filter(other => other.when <= voice.when).map(other => [other, voice.when]);
  if (later.length) chokes.push([voice, Math.min(...later.map(other => other.when))]);
  return chokes.filter(([choked, time]) => choked.end > time);   // one that is over by then stays
}
