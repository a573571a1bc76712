"""A quick look whether a file can hold several strokes, so that finished hits need no close one.

Levels are taken of the wave and of its first and second difference, which lift what is high: a
stroke of sticks over the ring of a drum stands out in one of them.
"""

from __future__ import annotations

import numpy as np

BLOCK_S = 0.004  # levels are taken in blocks of this length
BEFORE_BLOCKS = 5  # 20 ms: a period of the lowest drums
RISE = 10.0 ** (9.0 / 20.0)  # what `catalog.sound.takes` asks of any stroke
UNDER_LOUDEST = 10.0 ** (-54.0 / 20.0)  # and how soft it may be, with room for another mean
AFTER_S = 0.180  # from the first stroke on, with room for blocks


def may_hold_several(mono: np.ndarray, *, sr: int) -> bool:
    """Tell whether a second stroke may follow the first; False only where none does.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz, above 0

    Returns
    -------
    bool
    """
    block = max(4, round(BLOCK_S * sr))
    wave = np.asarray(mono, dtype=np.float32)
    for order in range(3):
        if order:
            wave = wave[1:] - wave[:-1]
        if _rises_late(_block_levels(wave, block), wait=round(AFTER_S * sr) // block):
            return True
    return False


def _block_levels(wave: np.ndarray, block: int) -> np.ndarray:
    n = len(wave) // block
    parts = wave[: n * block].reshape(n, block)
    return np.sqrt(np.einsum("ij,ij->i", parts, parts))


def _rises_late(level: np.ndarray, *, wait: int) -> bool:
    if len(level) <= wait + BEFORE_BLOCKS:
        return False
    floor = UNDER_LOUDEST * float(level.max())
    first = int(np.argmax(level > floor)) + wait
    later = level[first:]
    if len(later) == 0 or first < BEFORE_BLOCKS + 1:
        return False
    shifted = [level[first - 1 - k : len(level) - 1 - k] for k in range(BEFORE_BLOCKS)]
    before = np.maximum.reduce(shifted)
    return bool(np.any((later > RISE * before) & (later > floor)))
