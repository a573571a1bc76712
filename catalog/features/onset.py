"""Where the stroke is in a file, and the one channel that descriptors listen to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError

ONSET_SHARE = 0.05  # of the peak; thresholds from .02 to .1 changed no result on real strokes


LEAD_S = 0.001  # kept before the first strong sample, so that the rise is inside


OFFSET_STRIDE, OFFSET_SAMPLES = 8, 2048  # so many, so far apart, tell it as well as all of them


LOOK_SAMPLES = 2048  # looked at first, where the one that is looked for is near


SILENCE = 1e-5  # of full scale, -100 dBFS: the noise of 16 bits lies above it


TAIL_DB = -90.0  # below the peak; what stays under it at the end is silence


MONO_MIN_SHARE = 0.3  # of the file's peak; below it the channels cancel in the sum


@dataclass(frozen=True)
class Stroke:
    """Frames `start` to `stop` (exclusive) of a file, with the first strong sample at `onset`."""

    start: int
    onset: int
    stop: int


def mix_to_mono(samples: np.ndarray) -> np.ndarray:
    """Mean of the channels, or the strongest channel where the mean would cancel.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)

    Returns
    -------
    np.ndarray, float32, shape (n_frames,)
    """
    n_channels = samples.shape[1]
    if n_channels == 1:
        return np.ascontiguousarray(samples[:, 0], dtype=np.float32)
    samples = np.asarray(samples, dtype=np.float32)
    mean = samples @ np.full(n_channels, 1.0 / n_channels, np.float32)
    if highest(mean) >= MONO_MIN_SHARE * highest(samples):
        return np.asarray(mean)
    strongest = int(np.argmax(np.einsum("ij,ij->j", samples, samples)))
    return np.ascontiguousarray(samples[:, strongest])


def highest(samples: np.ndarray) -> float:
    """Largest size of any sample; NaN if one is no number, 0 for none."""
    if samples.size == 0:
        return 0.0
    return max(float(samples.max()), -float(samples.min()))


def loudest_at(samples: np.ndarray) -> int:
    """Index of the first sample of the largest size; samples as for `highest`, at least one."""
    low, high = int(samples.argmin()), int(samples.argmax())
    below, above = -float(samples[low]), float(samples[high])
    return min(low, high) if below == above else low if below > above else high


def first_beyond(samples: np.ndarray, limit: float) -> int:
    """Index of the first sample whose size is above a limit; their number if there is none."""
    at, n = 0, LOOK_SAMPLES
    while at < len(samples):
        is_beyond = np.abs(samples[at : at + n]) > limit
        found = int(is_beyond.argmax())
        if is_beyond[found]:
            return at + found
        at, n = at + n, 2 * n  # mostly the first look finds it
    return len(samples)


def offset_of(samples: np.ndarray) -> float:
    """Value that a hit swings about: the median of samples spread over it; 0 for none.

    Parameters
    ----------
    samples : np.ndarray, shape (n,)

    Returns
    -------
    float
    """
    some = samples[:: max(OFFSET_STRIDE, len(samples) // OFFSET_SAMPLES)]
    return middle_of(some) if len(some) else 0.0


def middle_of(samples: np.ndarray) -> float:
    """Median of at least one sample; a part of the time that numpy's takes."""
    below, above = (len(samples) - 1) // 2, len(samples) // 2
    ordered = np.partition(samples, above)
    low = ordered[above] if below == above else ordered[:above].max()
    return 0.5 * (float(low) + float(ordered[above]))


def find_stroke(mono: np.ndarray, *, sr: int) -> Stroke:
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
    y = mono - offset_of(mono)
    peak = highest(y)
    if peak < SILENCE:
        raise ParameterError("holds no stroke: silence, or an offset that never changes")
    onset = first_beyond(y, ONSET_SHARE * peak)
    stop = len(y) - first_beyond(y[::-1], peak * 10 ** (TAIL_DB / 20))
    return Stroke(max(0, onset - round(LEAD_S * sr)), onset, stop)


BLOCK_S = 0.004  # levels are taken in blocks of this length


BEFORE_BLOCKS = 5  # 20 ms: a period of the lowest drums


RISE = 10.0 ** (9.0 / 20.0)  # what `catalog.features.segmentation` asks of any stroke


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
