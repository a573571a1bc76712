"""Crest of a stroke, from the peak of the wave between its samples."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

CREST_S = 0.2  # the crest of a longer stroke is that of its beginning
FACTOR = 8  # points for each sample: a sine of 16 kHz at 44.1 kHz reads 0.09 dB low at most
REACH = 16  # samples on each side that a point between two samples is computed from
N_HIGHEST = 64  # samples beside which the wave is computed
LOWEST = 0.5  # of the highest sample; the wave does not rise to twice both of its neighbors
BETA = 7.0  # of the Kaiser window; the ripple up to 0.4 of the rate is below 0.1 %


def crest_factor(samples: np.ndarray, *, sr: int) -> float:
    """Return the peak over the root mean square of the first 0.2 s, in dB; NaN for silence.

    A shorter stroke counts as followed by silence. The peak is that of the band-limited wave, so
    that the sample rate does not change it.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke
    sr : int, Hz
    """
    head = samples[: round(CREST_S * sr)]
    rms = math.sqrt(float(head @ head) / (CREST_S * sr))
    return 20.0 * math.log10(interpolated_peak(samples) / rms) if rms > 0.0 else math.nan


def interpolated_peak(samples: np.ndarray) -> float:
    """Return the highest level of a mono wave, also between its samples.

    It is computed beside the samples that lie highest with their bend, the distance from the mean
    of their neighbors, added: the wave rises above a bent place, and hardly above a flat top.

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 2 (oversampling). F. J. Harris, "On the use of windows
    for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66, 51-83, 1978 (Kaiser).
    """
    if not len(samples):
        return 0.0
    size = np.abs(samples)
    top = float(size.max())
    high = np.flatnonzero(size >= LOWEST * top)
    silence = np.zeros(REACH, samples.dtype)
    padded = np.concatenate([silence, samples, silence])
    bend = _around(padded, high, 1) @ np.array([-0.5, 2.0, -0.5], samples.dtype)
    if len(high) > N_HIGHEST:
        high = high[np.argpartition(np.abs(bend), -N_HIGHEST)[-N_HIGHEST:]]
    return max(top, float(np.abs(_around(padded, high, REACH) @ _interpolation()).max()))


def _around(padded: np.ndarray, at: np.ndarray, reach: int) -> np.ndarray:
    """Return the samples around each index, shape (len(at), 2 reach + 1).

    `padded` are samples between `REACH` zeros on each side; `reach` is at most that.
    """
    return np.asarray(padded.take(at[:, None] + np.arange(REACH - reach, REACH + reach + 1)))


@lru_cache(maxsize=1)
def _interpolation() -> np.ndarray:
    """Return the filters of the points within a sample of the middle, shape (2 REACH + 1, ...)."""
    points = np.arange(1 - FACTOR, FACTOR) / FACTOR
    apart = np.arange(-REACH, REACH + 1)[:, None] - points
    window = np.i0(BETA * np.sqrt(np.maximum(0.0, 1.0 - np.square(apart / (REACH + 1.0)))))
    filters = np.sinc(apart) * window
    return np.asarray(filters / filters.sum(axis=0), np.float32)
