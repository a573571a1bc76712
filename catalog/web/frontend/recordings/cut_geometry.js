// Arithmetic of the cut of a recording; places are frames, strokes are [{start, stop}] in rising order.

const AROUND_SHARE = .25, AROUND_LEAST_S = .08;   // shown on both sides of a stroke, share of its length

// The frames that are shown around a stroke, within the recording.
export function windowAround({ start, stop }, { sr, nFrames }) {
  const side = Math.round(Math.max(AROUND_SHARE * (stop - start), AROUND_LEAST_S * sr));
  return [Math.max(0, start - side), Math.min(nFrames, stop + side)];
}

// The least and the most frame that end `side` (0 start, 1 stop) of stroke `index` may be moved to: up to
// its neighbor, and `shortest` frames from its own other end.
export function limitsOf(side, { strokes, index, ends, nFrames, shortest }) {
  if (side === 0) return [strokes[index - 1]?.stop ?? 0, ends[1] - shortest];
  return [ends[0] + shortest, strokes[index + 1]?.start ?? nFrames];
}

export function nearestStroke(strokes, frame) {   // its index; 0 distance within a stroke
  const distances = strokes.map(({ start, stop }) => Math.max(start - frame, frame - stop, 0));
  return distances.indexOf(Math.min(...distances));
}

// The stroke to show after the strokes changed: the same hit, else the one at the same place, else the first.
export function findAgain(strokes, last) {
  if (!last) return 0;
  const same = strokes.findIndex(({ id }) => id === last.id);
  if (same >= 0) return same;
  return Math.max(0, strokes.findIndex(({ start, stop }) => start <= last.middle && last.middle < stop));
}
