"""How the level of a hit goes: rise, fall and length. Energies are summed over short blocks first.

A block of `BLOCK` samples is far shorter than anything heard; where a sample counts, the block
that holds it is looked at again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError

BLOCK = 16  # samples, 0.36 ms at 44.1 kHz
LENGTH_DB = -60.0  # below the hit's own peak; below it is room
ENVELOPE_S = 0.002  # one period of 500 Hz; shorter windows follow the wave, not the level
ATTACK_S = 0.5  # a rise that takes longer is a swell
FIT_RANGE = (10**-0.5, 10**-2.5)  # -5 to -25 dB, ISO 3382-1
MIN_FIT = 8  # samples; fewer hold no slope
CONSTANT = 1e-6  # of the offset: blocks that vary less hold one value only, but for rounding
FINE_FIT = 4096  # samples; a longer fall is fitted at the blocks


def block_energy(samples: np.ndarray, n: int) -> np.ndarray:
    """Sum of squares of every `n` samples; the last block may be shorter.

    Parameters
    ----------
    samples : np.ndarray, shape (m,)
    n : int, above 0

    Returns
    -------
    np.ndarray, shape (ceil(m / n),), of the type of the samples
    """
    whole = len(samples) // n
    squares = np.square(samples)
    energy = np.empty(-(-len(samples) // n), squares.dtype)
    np.matmul(squares[: whole * n].reshape(whole, n), _ones(n, squares.dtype), out=energy[:whole])
    energy[whole:] = squares[whole * n :].sum()
    return energy


def block_variance(samples: np.ndarray, n: int) -> np.ndarray:
    """Variance of every `n` samples, without the blocks that hold one value only.

    Parameters
    ----------
    samples : np.ndarray, shape (m,)
    n : int, above 0

    Returns
    -------
    np.ndarray, shape (at most m // n,), of the type of the samples
    """
    blocks = samples[: len(samples) // n * n].reshape(-1, n)
    mean = blocks @ np.full(n, 1.0 / n, blocks.dtype)
    centred = blocks - mean[:, None]
    variance = np.einsum("ij,ij->i", centred, centred) / n
    return np.asarray(variance[variance > np.square(CONSTANT * mean)])


@lru_cache(maxsize=16)
def _ones(n: int, dtype: np.dtype) -> np.ndarray:
    return np.ones(n, dtype)  # a product with ones is three times as fast as a sum along short rows


@dataclass(frozen=True, eq=False)
class EnergyDecay:
    """Share of the energy that is still to come (Schroeder's backward integration).

    Attributes
    ----------
    samples : np.ndarray, shape (n,)
    left : np.ndarray, float64, shape (ceil(n / BLOCK),), at the start of each block; 1 at first
    total : float, energy of all samples
    """

    samples: np.ndarray
    left: np.ndarray
    total: float

    def reaches(self, share: float) -> int:
        """First sample from which on no more than `share` is left; their number if none."""
        block = int(np.searchsorted(-self.left, -share)) - 1
        if block < 0:
            return 0
        part = self.samples[block * BLOCK : (block + 1) * BLOCK].astype(np.float64)
        inside = self.left[block] - np.cumsum(part * part) / self.total
        return block * BLOCK + 1 + int(np.count_nonzero(inside[:-1] > share))

    def between(self, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
        """Samples from `first` to `last` (exclusive) and what is left at them, by block if long."""
        low, high = -(-first // BLOCK), -(-last // BLOCK)
        if last - first > FINE_FIT:
            return np.arange(low, high) * BLOCK, self.left[low:high]
        after = self.left[high] if high < len(self.left) else 0.0
        part = self.samples[first : high * BLOCK].astype(np.float64)
        left = after + np.cumsum((part * part)[::-1])[::-1] / self.total
        return np.arange(first, last), left[: last - first]


def energy_decay(samples: np.ndarray) -> EnergyDecay:
    """Integrate the energy of a hit backwards.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke on

    Returns
    -------
    Fall

    References
    ----------
    M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37, 409-412,
    1965.
    """
    left = np.cumsum(block_energy(samples, BLOCK)[::-1], dtype=np.float64)[::-1]
    total = max(float(left[0]), 1e-30) if len(left) else 1e-30
    return EnergyDecay(samples, left / total, total)


def decay_time(samples: np.ndarray, *, sr: int, drop_db: float = 20.0) -> float:
    """Time a hit takes to fall by `drop_db` after its start.

    The level is the energy still to come, so a noisy tail cannot make the curve rise again [1]_.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, full scale 1.0
    sr : int, Hz, above 0
    drop_db : float, dB, above 0

    Returns
    -------
    float, seconds; the length of the hit if it ends before falling that far

    Raises
    ------
    ParameterError
        if `sr` or `drop_db` is not above 0

    References
    ----------
    .. [1] M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37,
       409-412, 1965.
    """
    if sr <= 0 or drop_db <= 0:
        raise ParameterError(f"sr={sr} and drop_db={drop_db} must be above 0")
    return time_to_drop(energy_decay(samples), sr=sr, drop_db=drop_db)


def time_to_drop(fall: EnergyDecay, *, sr: int, drop_db: float) -> float:
    """Time in which a hit falls by `drop_db`; see `decay_time`."""
    return fall.reaches(10.0 ** (-drop_db / 10.0)) / sr


def reverberation_time(samples: np.ndarray, *, sr: int) -> float:
    """Time to fall by 60 dB, extrapolated from the fall between -5 and -25 dB (T20).

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, seconds; NaN if the fall has fewer than 8 samples

    References
    ----------
    ISO 3382-1:2009, 5.3.3 (evaluation range -5 to -25 dB, least squares).
    """
    return extrapolated_decay_time(energy_decay(samples), sr=sr)


def extrapolated_decay_time(fall: EnergyDecay, *, sr: int) -> float:
    """Time to fall by 60 dB at the slope of the fall; see `reverberation_time`."""
    first, last = (fall.reaches(share) for share in FIT_RANGE)
    if last - first < MIN_FIT:
        return math.nan
    steps, left = fall.between(first, last)
    level_db = 10.0 * np.log10(left)
    time_s = (steps - steps.mean()) / sr
    slope = float(time_s @ (level_db - level_db.mean()) / (time_s @ time_s))
    return -60.0 / slope if slope < 0 else math.nan


def length_above_floor(samples: np.ndarray, *, sr: int) -> float:
    """Time from the start until the level stays 60 dB under the loudest 10 ms.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, seconds
    """
    n = max(1, round(0.01 * sr))
    blocks = block_energy(samples, n)
    loud = np.flatnonzero(blocks > blocks.max() * 10 ** (LENGTH_DB / 10))
    return min(float(loud[-1] + 1) * n, len(samples)) / sr if len(loud) else 0.0


def envelope(samples: np.ndarray, *, sr: int, window_s: float = ENVELOPE_S) -> np.ndarray:
    """Root mean square over a sliding window centred on each sample.

    Parameters
    ----------
    samples : np.ndarray, shape (n,)
    sr : int, Hz
    window_s : float, seconds

    Returns
    -------
    np.ndarray, float64, shape (n,)
    """
    n = max(1, round(window_s * sr))
    power = np.zeros(len(samples) + n + 1)
    power[n // 2 + 1 : n // 2 + 1 + len(samples)] = np.square(samples, dtype=np.float64)
    along = np.cumsum(power)
    return np.asarray(np.sqrt(np.maximum(along[n:-1] - along[: len(samples)], 0.0) / n))


def attack_time(samples: np.ndarray, *, sr: int) -> float:
    """Time in which the 2 ms level rises from 10 % to 90 % of its maximum.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), from the start of the stroke on
    sr : int, Hz

    Returns
    -------
    float, seconds

    References
    ----------
    G. Peeters, "A large set of audio features for sound description", CUIDADO project report,
    IRCAM, 2004 (log attack time; the thresholds 10 and 90 % are common practice).
    """
    level = envelope(_until_loudest(samples[: round(ATTACK_S * sr)], sr=sr), sr=sr)
    top = float(level.max())
    reached = int(np.argmax(level >= 0.9 * top))
    below = np.flatnonzero(level[: reached + 1] < 0.1 * top)
    return (reached - (int(below[-1]) if len(below) else 0)) / sr


def _until_loudest(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Leave out what comes after every moment that could be the loudest 2 ms."""
    n = max(1, round(ENVELOPE_S * sr))
    blocks = block_energy(samples, n)
    pairs = blocks.copy()
    pairs[:-1] += blocks[1:]  # a window lies within two blocks, so it holds no more than they do
    last = int(np.flatnonzero(pairs >= blocks.max())[-1])
    return samples[: (last + 3) * n]
