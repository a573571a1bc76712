"""Signs at the ends of a file: a trimmed start, a cut tail, a fade, silence that was added."""

from __future__ import annotations

import numpy as np

from catalog.matching.origin.aligned import AlignedPair
from catalog.matching.origin.model import Loss, Sign

MIN_EXTRA_S = 0.0005  # filters and rate conversion move the ends by less
SILENT_SHARE = 0.5  # of the extra part; a filter may ring into added silence
SILENT_DB = -100.0  # below the peak; with the rounding noise of the copy
LEAD_STROKE_DB = -60.0  # below the peak: part of the stroke, not noise before it
BLOCK_S = 0.01
FADE_DB, FADE_RISE_DB, MIN_FADE_BLOCKS, FADE_PARTS = 20.0, 0.5, 4, 6
FADE_COHERENCE = 0.5  # at the end; noise that explains a difference of 8 dB leaves 0.4


def edge_signs(pair: AlignedPair) -> list[Sign]:
    """Return the signs at both ends; `pair` is aligned to a sample."""
    signs = []
    start_a, start_b = 0, -pair.lag  # on the time axis of the first copy
    signs += _extra(pair, start_b - start_a, at_start=True)
    stop_a, stop_b = len(pair.a), len(pair.b) - pair.lag
    signs += _extra(pair, stop_a - stop_b, at_start=False)
    return signs


def _extra(pair: AlignedPair, n: int, *, at_start: bool) -> list[Sign]:
    """Judge what one copy has beyond the other; `n` is above 0 if it is the first one."""
    if abs(n) < MIN_EXTRA_S * pair.sr + 2:
        return []
    longer, bits = (pair.a, pair.bits_a) if n > 0 else (pair.b, pair.bits_b)
    side = 1.0 if n > 0 else -1.0
    extra = longer[: abs(n)] if at_start else longer[-abs(n) :]
    peak = float(np.abs(longer).max())
    sizes = np.abs(extra - np.median(extra))
    level = float(sizes.max())
    step = 2.0 ** (1 - bits) if bits else 0.0
    seconds = abs(n) / pair.sr
    silent = max(1.01 * step, 10 ** (SILENT_DB / 20) * peak)
    if (sizes <= silent).mean() > SILENT_SHARE and level < 10 ** (LEAD_STROKE_DB / 20) * peak:
        if bits and bits < 17 and level > 0:
            return []  # its own noise may be no more than one step
        return [Sign(Loss.SILENCE, -1.2 * side, seconds)]
    loss = Loss.START if at_start else Loss.TAIL
    return [Sign(loss, 3.0 * side, seconds)]


def fade_sign(pair: AlignedPair) -> list[Sign]:
    """Return the sign of a fade: the level of one copy beside the other falls to 0 at its end."""
    a, b = pair.overlap
    size = max(16, round(BLOCK_S * pair.sr))
    n = len(a) // size
    if n < 2 * MIN_FADE_BLOCKS:
        return []
    x, y = (np.diff(s, prepend=s[0])[-n * size :].reshape(n, size) for s in (a, b))
    power_a, power_b = np.square(x).sum(axis=1), np.square(y).sum(axis=1)
    cross = np.abs((x * y).sum(axis=1))
    usable = (power_a > 0) & (power_b > 0)
    if usable.sum() < 2 * MIN_FADE_BLOCKS:
        return []
    coherent = cross[usable] / np.sqrt(power_a[usable] * power_b[usable])
    ratio = 10 * np.log10(power_b[usable] / power_a[usable])
    parts = [np.median(part) for part in np.array_split(ratio, FADE_PARTS)]
    n_part = len(ratio) // FADE_PARTS
    is_coherent = float(np.median(coherent[-n_part:])) > FADE_COHERENCE
    for side in (1.0, -1.0):
        falls = side * np.diff(parts)
        fall_db = side * float(parts[0] - np.median(ratio[-2:]))
        if fall_db > FADE_DB and (falls < FADE_RISE_DB).all() and is_coherent:
            return [Sign(Loss.FADE, 2.0 * side, fall_db)]
    return []
