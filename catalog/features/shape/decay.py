"""Length and decay of a stroke without the noise under it, and down to which level they are seen.

Noise is subtracted as in ISO 3382-1 and Lundeby et al.: the energy that is left ends where the
stroke vanishes in the noise, and what lies beyond a cut end is added as the decay would go on.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from catalog.features.envelope import BLOCK, EnergyDecay, decay_time, reverberation_time
from catalog.features.shape.level import LevelCurve

LENGTH_DB = -60.0  # relative to the loudest step
CERTAIN = 4.0  # standard deviations of the noise that a level must exceed it by
EXTRAPOLATED_DB = 6.0  # at most, below the lowest level that is seen in the noise
SLOPE_DB = 15.0  # above that level, from which the slope is taken
T60_RANGE_DB = -25.0  # lower end of the evaluation range of T20, ISO 3382-1
MIN_STEPS = 4  # of a curve whose slope is taken
HEADROOM_DB = 5.0  # between that end and the lowest level that is seen


class Decay(NamedTuple):
    """Length and decays of a stroke.

    `seen_db` is the lowest level that the file shows of it, relative to the loudest 10 ms and at
    least -60. The length is a lower bound if that is higher: the file ends there, or the noise is
    louder.
    """

    length_s: float
    decay20_s: float
    decay60_s: float
    seen_db: float


def measure_decay(samples: np.ndarray, curve: LevelCurve) -> Decay:
    """Measure length and decay of a stroke.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke, without DC offset
    curve : LevelCurve, of the same samples

    References
    ----------
    .. [1] ISO 3382-1:2009, 5.3.3: backward integration, correction for the noise and for the end,
       T20 from -5 to -25 dB.
    .. [2] A. Lundeby, T. E. Vigran, H. Bietz, M. Vorlaender, "Uncertainties of measurements in room
       acoustics", Acustica 81, 344-355, 1995.
    """
    length, seen_db = _length(curve, n_samples=len(samples))
    decay = _noise_free_decay(samples, curve, stop=length)
    is_cut = length >= len(samples) / curve.sr - curve.step_s
    if is_cut and seen_db > LENGTH_DB:
        decay = _with_rest(decay, curve, seen_db=seen_db)
    has_range = seen_db <= T60_RANGE_DB - HEADROOM_DB
    return Decay(
        length,
        decay_time(decay, sr=curve.sr, drop_db=20.0),
        reverberation_time(decay, sr=curve.sr) if has_range else math.nan,
        seen_db,
    )


def _length(curve: LevelCurve, *, n_samples: int) -> tuple[float, float]:
    """Return when the level passes -60 dB for the last time, s, and the lowest level seen."""
    level, top = curve.smooth, float(curve.smooth.max())
    if top <= 0.0:
        return n_samples / curve.sr, 0.0
    least = top * 10.0 ** (LENGTH_DB / 10.0)
    limits = np.maximum(least, CERTAIN * curve.spread * curve.noise / np.sqrt(curve.widths))
    last = int(np.flatnonzero(level > limits)[-1]) if (level > limits).any() else 0
    if last + 1 >= len(level):
        return n_samples / curve.sr, _to_db(float(level[last]) / top)
    limit = float(limits[last])
    following = max(float(level[last + 1]), 1e-3 * limit)
    part = math.log(level[last] / limit) / math.log(level[last] / following)
    at = last + 0.5 + min(1.0, max(0.0, part))
    seen_db = max(LENGTH_DB, _to_db(limit / top))
    if seen_db > LENGTH_DB:
        at, seen_db = _extrapolate(level / top, at, seen_db)
    return min(at * curve.step_s, n_samples / curve.sr), seen_db


def _extrapolate(level: np.ndarray, at: float, seen_db: float) -> tuple[float, float]:
    """Go on from the lowest level above the noise to -60 dB if that is near."""
    if seen_db - LENGTH_DB > EXTRAPOLATED_DB:
        return at, seen_db
    upper = 10.0 ** ((seen_db + SLOPE_DB) / 10.0)
    above = np.flatnonzero(level[: int(at)] > upper)
    start = int(above[-1]) + 1.0 if len(above) else 0.0
    return at + (at - start) * (seen_db - LENGTH_DB) / SLOPE_DB, LENGTH_DB


def _to_db(ratio: float) -> float:
    return 10.0 * math.log10(ratio) if ratio > 0.0 else -math.inf


def _noise_free_decay(samples: np.ndarray, curve: LevelCurve, *, stop: float) -> EnergyDecay:
    """Integrate the energy without the noise backwards, from where the stroke ends."""
    n = max(1, min(len(curve.blocks), math.ceil(stop * curve.sr / BLOCK)))
    energy = curve.blocks[:n].astype(np.float64)
    energy -= BLOCK * curve.noise
    rising = energy[::-1].cumsum()
    np.maximum.accumulate(rising, out=rising)
    total = max(float(rising[-1]), 1e-30)
    np.maximum(rising, 0.0, out=rising)
    rising /= total
    return EnergyDecay(samples, rising[::-1], total)


def _with_rest(decay: EnergyDecay, curve: LevelCurve, *, seen_db: float) -> EnergyDecay:
    """Add the energy beyond a cut end, if the decay went on with the slope of its second half."""
    level = curve.smooth
    n = len(level)
    if n < MIN_STEPS:
        return decay
    early, late = (float(part.mean()) for part in np.array_split(level[n // 2 :], 2))
    if not 0.0 < late < early:
        return decay
    rate = math.log(early / late) / (0.25 * n)  # by the step
    rest = float(level[-1]) * curve.step / math.expm1(rate) if rate > 1e-6 else 0.0
    remaining = decay.remaining * decay.total + rest
    total = decay.total + rest
    return EnergyDecay(decay.samples, remaining / total, total)
