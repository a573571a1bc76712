"""Loudness of a hit and true peak, after Recommendation ITU-R BS.1770-4."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from catalog.errors import ParameterError

WINDOW_S = 0.4  # the momentary window of EBU Tech 3341; the standard defines nothing shorter
OFFSET_LKFS = -0.691  # BS.1770-4: makes 997 Hz at full scale in one channel -3.01 LKFS
OVERSAMPLING = 4  # BS.1770-4 Annex 2, for 44.1 and 48 kHz


@lru_cache(maxsize=32)
def _k_weighting(sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Both stages of the K filter as one fourth-order filter.

    The analogue parameters give the standard's own coefficients at 48 kHz to ten digits and the
    same curve at other rates (B. De Man, "Evaluation of implementations of the EBU R128 loudness
    measurement", AES 145th Convention, 2018).
    """
    high_db, shelf_hz, shelf_q = 3.999843853973347, 1681.974450955533, 0.7071752369554196
    pass_hz, pass_q = 38.13547087602444, 0.5003270373238773
    k = np.tan(np.pi * shelf_hz / sr)
    vh = 10.0 ** (high_db / 20.0)
    vb = vh**0.4996667741545416
    a0 = 1.0 + k / shelf_q + k * k
    b1 = np.array(
        [vh + vb * k / shelf_q + k * k, 2.0 * (k * k - vh), vh - vb * k / shelf_q + k * k]
    )
    a1 = np.array([a0, 2.0 * (k * k - 1.0), 1.0 - k / shelf_q + k * k])
    a2 = _high_pass(pass_hz, pass_q, sr)
    # the standard leaves the gain of this stage at 48 kHz a little above 1; keep it at every rate
    b2 = np.array([1.0, -2.0, 1.0]) * _high_pass(pass_hz, pass_q, 48_000)[0] / a2[0]
    return np.convolve(b1 / a0, b2), np.convolve(a1 / a0, a2 / a2[0])


def _high_pass(hz: float, q: float, sr: int) -> np.ndarray:
    k = np.tan(np.pi * hz / sr)
    return np.array([1.0 + k / q + k * k, 2.0 * (k * k - 1.0), 1.0 - k / q + k * k])


def k_weight(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Filter by the K curve of BS.1770-4.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz, at least 4,000 (the shelf needs room below half the rate)

    Returns
    -------
    np.ndarray, float64, same shape
    """
    from scipy.signal import lfilter

    b, a = _k_weighting(sr)
    return np.asarray(lfilter(b, a, samples.astype(np.float64), axis=0))


def hit_loudness(samples: np.ndarray, *, sr: int) -> float:
    """Loudness of the loudest 400 ms, ungated; a shorter hit is filled up with silence.

    The channels count alike, as left and right do in the standard.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    float, LKFS; -inf for silence

    Raises
    ------
    ParameterError
        if `sr` is not above 0 or `samples` has not two dimensions

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 1.
    """
    if sr <= 0 or samples.ndim != 2:
        raise ParameterError(
            f"sr={sr} must be above 0 and samples have 2 dimensions, not {samples.ndim}"
        )
    power = np.square(k_weight(samples, sr=sr)).sum(axis=1)
    n = round(WINDOW_S * sr)
    if len(power) > n:
        sums = np.concatenate([[0.0], np.cumsum(power)])
        energy = float((sums[n:] - sums[:-n]).max())
    else:
        energy = float(power.sum())
    return OFFSET_LKFS + 10.0 * float(np.log10(energy / n)) if energy > 0 else -np.inf


def true_peak(samples: np.ndarray, *, sr: int) -> float:
    """Highest value between the samples, by fourfold oversampling.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    float, dBTP; -inf for silence

    References
    ----------
    Recommendation ITU-R BS.1770-4, Annex 2.
    """
    from scipy.signal import resample_poly

    if samples.size == 0:
        return -np.inf
    peak = float(np.abs(resample_poly(samples, OVERSAMPLING, 1, axis=0)).max())
    peak = max(peak, float(np.abs(samples).max()))
    return 20.0 * float(np.log10(peak)) if peak > 0 else -np.inf
