// Decoded audio kept up to a limit in bytes; the least recently used goes first.

const BYTES_PER_SAMPLE = 4;            // AudioBuffer holds 32-bit floats

export function makeBufferCache(maxBytes) {
  const entries = new Map();           // key -> {buffer, bytes, whole}; oldest use first
  const cache = { bytes: 0, keys: () => [...entries.keys()], has: key => entries.has(key) };
  cache.remove = key => {
    cache.bytes -= entries.get(key)?.bytes ?? 0;
    entries.delete(key);
  };
  // whole: false for a preview, which holds only the first moments
  cache.add = (key, buffer, whole) => {
    cache.remove(key);
    const bytes = buffer.length * buffer.numberOfChannels * BYTES_PER_SAMPLE;
    entries.set(key, { buffer, bytes, whole });
    cache.bytes += bytes;
    for (const oldest of entries.keys()) {
      if (cache.bytes <= maxBytes || oldest === key) break;
      cache.remove(oldest);
    }
  };
  cache.use = key => {                 // the entry, now the most recently used, or undefined
    const entry = entries.get(key);
    if (entry) {
      entries.delete(key);
      entries.set(key, entry);
    }
    return entry;
  };
  return cache;
}
