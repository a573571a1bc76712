"""Windows, frames, power spectra and decimation, optimized for short hits."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

LOW_TAPS = 12  # filter length at the low rate; flat up to 0.29 of that rate, aliases at -80 dB
KAISER_BETA = 7.86  # 80 dB by Kaiser's formula, 0.1102 (A - 8.7)
ROW = 16  # low-rate samples computed by one row of the matrix product


@lru_cache(maxsize=16)
def periodic_hann(n: int) -> np.ndarray:
    """Return a Hann window of period `n`; float32, shape (n,), shared and not to be modified."""
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)).astype(np.float32)


@lru_cache(maxsize=16)
def symmetric_hann(n: int) -> np.ndarray:
    """Return a symmetric Hann window; float32, shape (n,), shared and not to be modified."""
    return np.hanning(n).astype(np.float32)


def zero_pad(samples: np.ndarray, n: int, *, lead: int = 0) -> np.ndarray:
    """Return `lead` zeros, then samples, then zeros up to `n`; float32, shape (n,)."""
    padded = np.zeros(n, np.float32)
    part = samples[: n - lead]
    padded[lead : lead + len(part)] = part
    return padded


def sliding_frames(samples: np.ndarray, n: int, *, hop: int = 1) -> np.ndarray:
    """Return a view of the frames of `n` samples that start every `hop` samples.

    `samples` are float32, shape (m,), contiguous, m at least `n`; the view has shape
    ((m - n) // hop + 1, n).
    """
    # The checks of numpy's sliding_window_view take longer than the transform of a short hit.
    shape = ((len(samples) - n) // hop + 1, n)
    return np.ndarray(shape, np.float32, samples, strides=(4 * hop, 4))


def squared_magnitude(spectra: np.ndarray) -> np.ndarray:
    """Return the squared magnitude of contiguous complex numbers."""
    # A matrix product takes a quarter less time than adding the squares of both parts.
    parts = spectra.view(spectra.real.dtype)
    return np.asarray(np.square(parts).reshape(*spectra.shape, 2) @ _pair_of_ones(parts.dtype))


@lru_cache(maxsize=2)
def _pair_of_ones(dtype: np.dtype) -> np.ndarray:
    return np.ones(2, dtype)


def frame_power(frames: np.ndarray, n_fft: int | None = None) -> np.ndarray:
    """Compute the power spectrum of each row, zero-padded to `n_fft`: `n_fft // 2 + 1` bins."""
    from scipy.fft import rfft

    return squared_magnitude(rfft(frames, n_fft, axis=1))


def frames_at(
    samples: np.ndarray, starts: Sequence[int], windows: Sequence[np.ndarray], *, n: int
) -> np.ndarray:
    """Return frames at given starts, each multiplied by its window; float32, shape (k, n)."""
    frames = np.zeros((len(starts), n), np.float32)
    for frame, start, window in zip(frames, starts, windows, strict=True):
        part = samples[start : start + len(window)]
        np.multiply(part, window[: len(part)], out=frame[: len(part)])
    return frames


def decimate(samples: np.ndarray, factor: int) -> np.ndarray:
    """Low-pass filter and keep one sample in `factor`.

    Parameters
    ----------
    samples : np.ndarray, shape (n,)
    factor : int, at least 1; 1 returns the samples unfiltered

    Returns
    -------
    np.ndarray, float32, shape (ceil(n / factor),)
        flat up to 0.29 of the new rate; sample i lies half an input sample before `i * factor`

    References
    ----------
    J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", IEEE
    Int. Symp. Circuits and Systems, 1974.
    """
    if factor <= 1 or not len(samples):
        return np.asarray(samples, np.float32)
    matrix = _filter_matrix(factor)
    n = -(-len(samples) // factor)
    n_rows = -(-n // ROW)
    lead = LOW_TAPS * factor // 2
    padded = zero_pad(samples, (n_rows - 1) * ROW * factor + len(matrix), lead=lead)
    frames = sliding_frames(padded, len(matrix), hop=ROW * factor)
    return np.asarray((np.ascontiguousarray(frames) @ matrix).ravel()[:n])


@lru_cache(maxsize=16)
def _filter_matrix(factor: int) -> np.ndarray:
    """Return the filter as a band matrix from the needed inputs to `ROW` outputs; float32."""
    n = LOW_TAPS * factor
    at = (np.arange(n) - (n - 1) / 2) / factor
    taps = np.sinc(at) * np.kaiser(n, KAISER_BETA)
    matrix = np.zeros(((ROW - 1) * factor + n, ROW), np.float32)
    for column in range(ROW):
        matrix[column * factor : column * factor + n, column] = taps / taps.sum()
    return matrix
