// Short names of sessions: the last part of their path, with the part before it where two are the same.

export const SHARED_PART = 'unknown';   // for a hit without a session

export function lastParts(sessions) {
  const parts = sessions.map(name => name.split('/').filter(Boolean));
  const take = depth => parts.map(part => part.slice(-depth).join('/'));
  const deepest = Math.max(1, ...parts.map(part => part.length));
  const labels = take(1);
  for (let depth = 2; depth <= deepest; depth++) {
    const counts = new Map();
    labels.forEach(label => counts.set(label, (counts.get(label) ?? 0) + 1));
    const longer = take(depth);
    labels.forEach((label, k) => { if (counts.get(label) > 1) labels[k] = longer[k]; });
  }
  return labels;
}
