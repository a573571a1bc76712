"""Brightness, upper edge and noise share from the mean spectrum, alike at every sample rate.

Frames have one duration and not one number of samples, and nothing above `TOP_HZ` counts.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from catalog.features.spectrum import frame_power, periodic_hann, sliding_frames, zero_pad

FRAME_S = 4096 / 44_100  # 93 ms, 11 Hz
SPECTRUM_S = 1.5  # from the start of the stroke
N_DENSE, SPARSE = 9, 4  # half-overlapping frames (0.4 s); then only every fourth is used
TOP_HZ = 16_000.0  # files at 44.1 kHz and lossy ones hold no more; few people hear more
LOWEST_HZ = 20.0
ROLLOFF_SHARE = 0.85  # librosa's default, so that the values are comparable
BAND_HZ = 1_000.0  # of the noise share: 20 ms of noise have 20 independent values in a band


def mean_spectrum(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Compute the mean power spectrum of the first 1.5 s up to `TOP_HZ`, in frames of 93 ms.

    The first frames overlap by half. Later ones are sparse and are weighted for the frames
    between them.

    Parameters
    ----------
    samples : np.ndarray, shape (n,), mono, from the start of the stroke
    sr : int, Hz

    Returns
    -------
    frequencies : np.ndarray, Hz, shape (n_bins,)
    power : np.ndarray, float64, shape (n_bins,), squared magnitudes
    """
    n = frame_length(sr)
    hop = n // 2
    n_frames = min(len(samples), round(SPECTRUM_S * sr)) // hop + 1
    dense, sparse = np.arange(min(n_frames, N_DENSE)), np.arange(N_DENSE, n_frames, SPARSE)
    weight = np.ones(len(dense) + len(sparse), np.float32)
    weight[len(dense) :] = np.minimum(SPARSE, n_frames - sparse)
    padded = zero_pad(samples[: n_frames * hop], (n_frames + 1) * hop, lead=hop)
    frames = sliding_frames(padded, n, hop=hop)[np.concatenate([dense, sparse])]
    frames *= periodic_hann(n)
    frequencies = _bin_frequencies(n, sr)
    power = weight @ frame_power(frames)[:, : len(frequencies)] / n_frames
    return frequencies, power.astype(np.float64)


@lru_cache(maxsize=16)
def _bin_frequencies(n: int, sr: int) -> np.ndarray:
    """Return the frequencies of the bins of `n` samples up to `TOP_HZ`."""
    return np.arange(int(min(TOP_HZ, 0.5 * sr) * n / sr) + 1) * (sr / n)


@lru_cache(maxsize=16)
def frame_length(sr: int) -> int:
    """Return the samples of a frame: an even number near `FRAME_S` with a fast transform."""
    from scipy.fft import next_fast_len

    return 2 * int(next_fast_len(max(8, round(0.5 * FRAME_S * sr)), real=True))


def spectral_centroid(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Return the power-weighted mean frequency, Hz; NaN for silence."""
    total = float(power.sum())
    return float(frequencies @ power) / total if total > 0 else math.nan


def spectral_rolloff(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Return the frequency below which 85 % of the power lies, Hz."""
    cumulative = np.cumsum(power)
    return float(frequencies[int(np.argmax(cumulative >= ROLLOFF_SHARE * cumulative[-1]))])


def spectral_flatness(power: np.ndarray) -> float:
    """Return the geometric over the arithmetic mean: 1 for equal powers, 0 if one has all."""
    floored = np.maximum(power, 1e-10 * power.max() + 1e-30)
    return float(np.exp(np.mean(np.log(floored))) / floored.mean())


def noise_share(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Return the flatness of the mean powers of bands of 1 kHz: 1 for white noise, 0 for a tone.

    Within a band the power of noise is averaged, so that a short burst is as flat as a long one.
    """
    n = int(BAND_HZ / frequencies[1])
    n_bands = max(1, len(power) // n)
    return spectral_flatness(power[: n_bands * n].reshape(n_bands, -1).mean(axis=1))


def mean_period(frequencies: np.ndarray, power: np.ndarray) -> float:
    """Return the power-weighted mean period of the components above 20 Hz, s; 0 for silence."""
    heard = np.searchsorted(frequencies, LOWEST_HZ)
    total = float(power[heard:].sum())
    return float(power[heard:] @ (1.0 / frequencies[heard:])) / total if total > 0 else 0.0
