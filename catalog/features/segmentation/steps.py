"""Measure steps of the power of a take, which show strokes that a louder ring hides from the flux.

A ring that is noise varies from one short spectrum to the next. The mean power of 15 ms varies less
in wide bands; so the rise of each band is compared with how far noise makes it vary.
"""

from __future__ import annotations

import itertools

import numpy as np

from catalog.features.segmentation.flux import BANDS_HZ, HOP_S, LOW_BAND_HZ, N_BANDS

BEFORE, AFTER = (-8, -3), (1, 5)  # spectra, both inclusive, of which the mean power is compared
SPECTRUM_HOPS = 3  # by which the first and the last spectrum reach further; a spectrum is 12 ms
POOLED = (0, 3, 7, 11, 15, 19)  # bands of which the steps are pooled; the last one ends them
NOISE_DB = 10.0 / np.log(10.0)  # standard deviation of the level of one value of noise


def steps_db(levels: np.ndarray) -> np.ndarray:
    """Return how far the mean power after each spectrum exceeds that before it, in dB.

    Parameters
    ----------
    levels : np.ndarray, float32, shape (..., n_hops), dB; see `Spectra`

    Returns
    -------
    np.ndarray, float32, shape (..., n_hops)
        zero where there are too few spectra before or after
    """
    n_before, n_after = (last - first + 1 for first, last in (BEFORE, AFTER))
    steps = np.zeros(levels.shape, np.float32)
    n = levels.shape[-1] - (AFTER[1] - BEFORE[0])
    if n > 0:
        power = np.exp(levels * np.float32(1.0 / NOISE_DB))
        before = sum(power[..., i : i + n] for i in range(n_before))
        start = AFTER[0] - BEFORE[0]
        after = sum(power[..., i : i + n] for i in range(start, start + n_after))
        ratio = after / before
        steps[..., -BEFORE[0] : n - BEFORE[0]] = NOISE_DB * np.log(ratio * (n_before / n_after))
    return steps


def measure_steps(levels: np.ndarray) -> np.ndarray:
    """Return the rise of the power at each spectrum in standard deviations of noise.

    Groups of bands count together, each band by the inverse of its variance; the result is the root
    of the summed squares of the groups that rise, shape (n_hops,). `levels` are those of `Spectra`.
    """
    rises = np.maximum(_pooling() @ steps_db(levels), 0.0)
    return np.asarray(np.sqrt(np.einsum("ij,ij->j", rises, rises)))


def _pooling() -> np.ndarray:
    """Return the weights of bands in groups, shape (n_groups, n_bands).

    The level of noise varies by `NOISE_DB` over the root of bandwidth times duration.
    """
    widths_hz = np.diff([LOW_BAND_HZ, *np.geomspace(*BANDS_HZ, N_BANDS + 1)])
    spans_s = [(last - first + SPECTRUM_HOPS) * HOP_S for first, last in (BEFORE, AFTER)]
    variance = sum(NOISE_DB**2 / np.maximum(1.0, widths_hz * span_s) for span_s in spans_s)
    pooling = np.zeros((len(POOLED) - 1, N_BANDS + 1), np.float32)
    for group, (a, b) in enumerate(itertools.pairwise(POOLED)):
        weights = 1.0 / variance[a:b]
        pooling[group, a:b] = weights / np.sqrt(weights.sum())
    return pooling
