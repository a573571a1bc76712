"""Energy of a hit over time, and its decay.

Energies are summed over blocks of `BLOCK` samples, far shorter than any audible change. Where a
result needs one sample, the block that holds it is searched again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError

BLOCK = 16  # samples, 0.36 ms at 44.1 kHz
FIT_RANGE = (10**-0.5, 10**-2.5)  # -5 to -25 dB, ISO 3382-1
MIN_FIT = 8  # samples; fewer give no slope
CONSTANT = 1e-6  # relative to the mean; smaller variation is rounding error
FINE_FIT = 4096  # samples; a longer decay is fitted at the block edges


def block_energy(samples: np.ndarray, n: int) -> np.ndarray:
    """Sum the squares of every `n` samples of `samples`, shape (m,).

    The result has shape (ceil(m / n),) and the type of the samples; the last block may be shorter.
    """
    whole = len(samples) // n
    squares = np.square(samples)
    energy = np.empty(-(-len(samples) // n), squares.dtype)
    np.matmul(squares[: whole * n].reshape(whole, n), _ones(n, squares.dtype), out=energy[:whole])
    energy[whole:] = squares[whole * n :].sum()
    return energy


@lru_cache(maxsize=16)
def _ones(n: int, dtype: np.dtype) -> np.ndarray:
    return np.ones(n, dtype)  # a matrix product is three times as fast as a sum over short rows


def block_variance(samples: np.ndarray, n: int) -> np.ndarray:
    """Compute the variance of every `n` samples, and leave out constant blocks."""
    blocks = samples[: len(samples) // n * n].reshape(-1, n)
    mean = blocks @ np.full(n, 1.0 / n, blocks.dtype)
    centered = blocks - mean[:, None]
    np.square(centered, out=centered)
    variance = centered @ _ones(n, centered.dtype) / n
    return np.asarray(variance[variance > np.square(CONSTANT * mean)])


@dataclass(frozen=True, eq=False)
class EnergyDecay:
    """Energy decay curve: the share of the energy that remains (Schroeder integration).

    Attributes
    ----------
    samples : np.ndarray, shape (n,)
    remaining : np.ndarray, float64, shape (ceil(n / BLOCK),), at block starts; the first is 1
    total : float, energy of all samples
    """

    samples: np.ndarray
    remaining: np.ndarray
    total: float

    def first_below(self, share: float) -> int:
        """Return the first sample from which at most `share` of the energy remains; n if none."""
        block = first_at_most(self.remaining, share) - 1
        if block < 0:
            return 0
        part = self.samples[block * BLOCK : (block + 1) * BLOCK].astype(np.float64)
        inside = self.remaining[block] - np.cumsum(part * part) / self.total
        return block * BLOCK + 1 + int(np.count_nonzero(inside[:-1] > share))

    def between(self, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
        """Return positions from `first` to `last` (exclusive) and the share remaining at each.

        A range of more than `FINE_FIT` samples is given at the block edges.
        """
        low, high = -(-first // BLOCK), -(-last // BLOCK)
        if last - first > FINE_FIT:
            return np.arange(low, high) * BLOCK, self.remaining[low:high]
        after = self.remaining[high] if high < len(self.remaining) else 0.0
        part = self.samples[first : high * BLOCK].astype(np.float64)
        remaining = after + np.cumsum((part * part)[::-1])[::-1] / self.total
        return np.arange(first, last), remaining[: last - first]


def first_at_most(remaining: np.ndarray, share: float) -> int:
    """Return the first index of a falling curve at which it is at most `share`; its length if none.

    `remaining` is fastest as a view of a rising array, such as a cumulative sum, from its end on.
    """
    return len(remaining) - int(remaining[::-1].searchsorted(share, side="right"))


def energy_decay(samples: np.ndarray) -> EnergyDecay:
    """Integrate the energy of a hit backwards, from the start of the stroke on.

    References
    ----------
    M. R. Schroeder, "New method of measuring reverberation time", J. Acoust. Soc. Am. 37, 409-412,
    1965.
    """
    rising = block_energy(samples, BLOCK)[::-1].cumsum(dtype=np.float64)
    total = max(float(rising[-1]), 1e-30) if len(rising) else 1e-30
    rising /= total
    return EnergyDecay(samples, rising[::-1], total)


def decay_time(decay: EnergyDecay, *, sr: int, drop_db: float = 20.0) -> float:
    """Return the time in which a hit falls by `drop_db` after its start.

    The curve is the energy that remains, so it never rises, even in a noisy tail.

    Parameters
    ----------
    decay : EnergyDecay
    sr : int, Hz, above 0
    drop_db : float, dB, above 0

    Returns
    -------
    float, seconds; the length of the hit if it ends before falling that far

    Raises
    ------
    ParameterError
        if `sr` or `drop_db` is not above 0
    """
    if sr <= 0 or drop_db <= 0:
        raise ParameterError(f"sr={sr} and drop_db={drop_db} must be above 0")
    return decay.first_below(10.0 ** (-drop_db / 10.0)) / sr


def reverberation_time(decay: EnergyDecay, *, sr: int) -> float:
    """Return the time to fall by 60 dB, extrapolated from the fall between -5 and -25 dB (T20).

    Returns
    -------
    float, seconds; NaN if fewer than 8 samples lie in this range

    References
    ----------
    ISO 3382-1:2009, 5.3.3 (evaluation range -5 to -25 dB, least squares).
    """
    first, last = (decay.first_below(share) for share in FIT_RANGE)
    if last - first < MIN_FIT:
        return math.nan
    positions, remaining = decay.between(first, last)
    level_db = 10.0 * np.log10(remaining)
    time_s = (positions - positions.mean()) / sr
    slope = float(time_s @ (level_db - level_db.mean()) / (time_s @ time_s))
    return -60.0 / slope if slope < 0 else math.nan
