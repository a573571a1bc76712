"""Where the stroke is in a file, and the one channel that descriptors listen to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError
from catalog.features.waveform import abs_peak, dc_offset, first_above

ONSET_SHARE = 0.05  # of the peak; thresholds from .02 to .1 changed no result on real strokes


LEAD_S = 0.001  # kept before the first strong sample, so that the rise is inside


SILENCE = 1e-5  # of full scale, -100 dBFS: the noise of 16 bits lies above it


TAIL_DB = -90.0  # below the peak; what stays under it at the end is silence


@dataclass(frozen=True)
class StrokeSpan:
    """Frames `start` to `stop` (exclusive) of a file, with the first strong sample at `onset`."""

    start: int
    onset: int
    stop: int


def find_stroke(mono: np.ndarray, *, sr: int) -> StrokeSpan:
    """Find the stroke in a file that holds one finished hit.

    An offset that never changes (DC) is no sound: the level is measured about the median.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    Stroke
        `start` is `LEAD_S` before the onset; `stop` leaves out silence at the end

    Raises
    ------
    ParameterError
        if there is no stroke: too few samples, silence, or an offset only
    """
    if len(mono) < 2:
        raise ParameterError(f"holds no stroke: {len(mono)} sample(s) only")
    y = mono - dc_offset(mono)
    peak = abs_peak(y)
    if peak < SILENCE:
        raise ParameterError("holds no stroke: silence, or an offset that never changes")
    onset = first_above(y, ONSET_SHARE * peak)
    stop = len(y) - first_above(y[::-1], peak * 10 ** (TAIL_DB / 20))
    return StrokeSpan(max(0, onset - round(LEAD_S * sr)), onset, stop)


BLOCK_S = 0.004  # levels are taken in blocks of this length


BEFORE_BLOCKS = 5  # 20 ms: a period of the lowest drums


RISE = 10.0 ** (9.0 / 20.0)  # what `catalog.features.segmentation` asks of any stroke


UNDER_LOUDEST = 10.0 ** (-54.0 / 20.0)  # and how soft it may be, with room for another mean


AFTER_S = 0.180  # from the first stroke on, with room for blocks


def may_hold_multiple_onsets(mono: np.ndarray, *, sr: int) -> bool:
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
