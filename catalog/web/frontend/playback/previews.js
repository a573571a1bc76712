// Previews: the first moments of many hits in one body, mono int16, little-endian.

const FULL_SCALE = 32768;

// Split a body: uint32 rate, uint32 count, uint32 frames of each, then the samples.
export function unpackPreviews(body) {
  const [sr, count] = new Uint32Array(body, 0, 2), previews = [];
  let offset = 4 * (2 + count);
  for (const n of new Uint32Array(body, 8, count)) {
    const integers = new Int16Array(body, offset, n), samples = new Float32Array(n);
    for (let i = 0; i < n; i++) samples[i] = integers[i] / FULL_SCALE;
    previews.push(samples);
    offset += 2 * n;
  }
  return { sr, previews };
}
