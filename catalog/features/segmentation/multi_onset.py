"""Rule out quickly that a file holds more than one onset.

Most files hold one finished hit. This check costs a fraction of the full segmentation.
"""

from __future__ import annotations

import numpy as np

BLOCK_S = 0.004
BEFORE_BLOCKS = 5  # 20 ms, a period of the lowest drums
MIN_RISE = 10.0 ** (9.0 / 20.0)  # `catalog.features.segmentation.rises.RING_RISE_DB`
MIN_LEVEL = 10.0 ** (-54.0 / 20.0)  # of the loudest block; `UNDER_LOUDEST_DB` and a margin
MIN_GAP_S = 0.180  # after the first stroke; `SURE_GAP_S` and a margin
N_DIFFERENCES = 3  # the wave and its first two differences, which emphasize high frequencies


def may_hold_multiple_onsets(mono: np.ndarray, *, sr: int) -> bool:
    """Return False only if no second stroke follows the first."""
    block = max(4, round(BLOCK_S * sr))
    gap_blocks = round(MIN_GAP_S * sr) // block
    wave = np.asarray(mono, dtype=np.float32)
    for order in range(N_DIFFERENCES):
        if order:
            wave = wave[1:] - wave[:-1]
        if _has_late_rise(_block_levels(wave, block), gap_blocks=gap_blocks):
            return True
    return False


def _block_levels(wave: np.ndarray, block: int) -> np.ndarray:
    n = len(wave) // block
    parts = wave[: n * block].reshape(n, block)
    return np.sqrt(np.einsum("ij,ij->i", parts, parts))


def _has_late_rise(level: np.ndarray, *, gap_blocks: int) -> bool:
    if len(level) <= gap_blocks + BEFORE_BLOCKS:
        return False
    floor = MIN_LEVEL * float(level.max())
    first = int(np.argmax(level > floor)) + gap_blocks
    late = level[first:]
    if len(late) == 0 or first < BEFORE_BLOCKS + 1:
        return False
    shifted = [level[first - 1 - k : len(level) - 1 - k] for k in range(BEFORE_BLOCKS)]
    before = np.maximum.reduce(shifted)
    return bool(np.any((late > MIN_RISE * before) & (late > floor)))
