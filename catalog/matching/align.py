"""By how many samples one hit lies later than another: peaks of a partly whitened correlation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from catalog.features.spectrogram import SR
from catalog.matching.prepare import MAX_LAG_S, Prepared, batches, whiten

N_LAGS = 4  # peaks tried where a start was cut: a low tone agrees with itself a period later
LAG_SHARE = 0.4  # of the highest peak; lower ones are not tried
REACH = round(MAX_LAG_S * SR)
AT_ONCE = 16  # a pair takes 300 kB while its lags are found


class Lags(NamedTuple):
    """Where a pair may lie.

    Attributes
    ----------
    samples : list of float
        by which the second may lie later, interpolated, the highest peak first
        sign-free, so a turned polarity changes nothing; empty if one of them is silent
    peak : float, height of the highest, 1 where the sound is equal
    """

    samples: list[float]
    peak: float


def find_lags(pairs: Sequence[tuple[Prepared, Prepared]]) -> list[Lags]:
    """Find where the second hit of each pair may lie.

    Parameters
    ----------
    pairs : sequence of (Prepared, Prepared)

    Returns
    -------
    list of Lags, one a pair
    """
    found: dict[int, Lags] = {}
    for n_fft, some in batches((max(a.lag_fft, b.lag_fft) for a, b in pairs), AT_ONCE):
        found.update(zip(some, _find([pairs[at] for at in some], n_fft), strict=True))
    return [found[at] for at in range(len(pairs))]


def _find(pairs: Sequence[tuple[Prepared, Prepared]], n_fft: int) -> list[Lags]:
    from scipy.fft import irfft

    first, second = (whiten(hits, n_fft) for hits in zip(*pairs, strict=True))
    product = np.stack([one.spectrum for one in first])
    np.conj(product, out=product)
    for row, other in zip(product, second, strict=True):
        row *= other.spectrum
    along = irfft(product, n_fft, axis=1)
    along = np.abs(np.concatenate([along[:, -REACH:], along[:, : REACH + 1]], axis=1))
    rows, at = _highest_peaks(along)
    heights = along[rows, at]
    lags = at - REACH + _vertices(along[rows, at - 1], heights, along[rows, at + 1])
    most = [2.0 * a.size * b.size / n_fft for a, b in zip(first, second, strict=True)]
    starts = np.searchsorted(rows, np.arange(len(pairs) + 1)).tolist()
    return [
        Lags(
            lags[start:stop].tolist()[:N_LAGS],
            float(heights[start]) / whole if stop > start and whole > 0 else 0.0,
        )
        for start, stop, whole in zip(starts[:-1], starts[1:], most, strict=True)
    ]


def _highest_peaks(along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the peaks of each row, of a row the highest first."""
    inner = along[:, 1:-1]
    is_peak = (inner > along[:, :-2]) & (inner >= along[:, 2:])
    highest = np.where(is_peak, inner, np.float32(0.0)).max(axis=1, keepdims=True)
    rows, at = np.nonzero(is_peak & (inner >= LAG_SHARE * highest))
    at += 1
    order = np.lexsort((-along[rows, at], rows))
    return rows[order], at[order]


def _vertices(left: np.ndarray, top: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Where the parabola through three points has its top, from the middle one."""
    left, top, right = (side.astype(np.float64) for side in (left, top, right))
    bend = left - 2 * top + right
    return np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
