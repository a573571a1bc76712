"""Windowed frames and their power spectra, with little around the transform itself."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np


@lru_cache(maxsize=16)
def periodic_hann(n: int) -> np.ndarray:
    """Hann window of period `n`; float32, shape (n,), not to be written to."""
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)).astype(np.float32)


@lru_cache(maxsize=16)
def symmetric_hann(n: int) -> np.ndarray:
    """Symmetric Hann window; float32, shape (n,), not to be written to."""
    return np.hanning(n).astype(np.float32)


def zero_pad(samples: np.ndarray, n: int, *, lead: int = 0) -> np.ndarray:
    """`lead` zeros, then samples, then zeros up to `n`; float32, shape (n,)."""
    padded = np.zeros(n, np.float32)
    part = samples[: n - lead]
    padded[lead : lead + len(part)] = part
    return padded


def sliding_frames(samples: np.ndarray, n: int, *, hop: int = 1) -> np.ndarray:
    """View of all frames of `n` samples that lie `hop` apart.

    Parameters
    ----------
    samples : np.ndarray, float32, shape (m,), contiguous, m at least `n`
    n, hop : int, samples

    Returns
    -------
    np.ndarray, float32, shape ((m - n) // hop + 1, n)
    """
    # sliding_window_view takes longer for its checks than a short hit's transform
    shape = ((len(samples) - n) // hop + 1, n)
    return np.ndarray(shape, np.float32, samples, strides=(4 * hop, 4))


def squared_magnitude(spectra: np.ndarray) -> np.ndarray:
    """Squared magnitude of complex numbers that lie one after the other."""
    # a product with ones: a quarter less time than the sum of the squares of either part
    parts = spectra.view(spectra.real.dtype)
    return np.asarray(np.square(parts).reshape(*spectra.shape, 2) @ _both(parts.dtype))


@lru_cache(maxsize=2)
def _both(dtype: np.dtype) -> np.ndarray:
    return np.ones(2, dtype)


def frame_power(frames: np.ndarray, n_fft: int | None = None) -> np.ndarray:
    """Power spectrum of each row.

    Parameters
    ----------
    frames : np.ndarray, float32, shape (n_frames, n)
    n_fft : int, optional, zeros are added up to it

    Returns
    -------
    np.ndarray, float32, shape (n_frames, n_fft // 2 + 1)
    """
    from scipy.fft import rfft

    return squared_magnitude(rfft(frames, n_fft, axis=1))


def frames_at(
    samples: np.ndarray, starts: Sequence[int], lengths: Sequence[int], n: int
) -> np.ndarray:
    """Frames from given starts with a symmetric Hann window each; float32, shape (k, n)."""
    frames = np.zeros((len(starts), n), np.float32)
    for frame, start, length in zip(frames, starts, lengths, strict=True):
        part = samples[start : start + length]
        np.multiply(part, symmetric_hann(length)[: len(part)], out=frame[: len(part)])
    return frames


LOW_TAPS = 12  # filter length in samples of the low rate: flat to 0.29 of it, -80 dB of aliases


KAISER_BETA = 7.86  # 80 dB (J. F. Kaiser's formula, 0.1102 (A - 8.7))


ROW = 16  # low samples computed by one row of a matrix product


@lru_cache(maxsize=16)
def _rows(factor: int) -> np.ndarray:
    """The filter as a band matrix: `ROW` outputs from the inputs that they need; float32."""
    n = LOW_TAPS * factor
    at = (np.arange(n) - (n - 1) / 2) / factor
    taps = np.sinc(at) * np.kaiser(n, KAISER_BETA)
    matrix = np.zeros(((ROW - 1) * factor + n, ROW), np.float32)
    for column in range(ROW):
        matrix[column * factor : column * factor + n, column] = taps / taps.sum()
    return matrix


def decimate(samples: np.ndarray, factor: int) -> np.ndarray:
    """Low-pass and keep one sample in `factor`.

    Parameters
    ----------
    samples : np.ndarray, shape (n,)
    factor : int, at least 1; 1 gives the samples themselves

    Returns
    -------
    np.ndarray, float32, shape (ceil(n / factor),)
        flat up to 0.29 of the new rate; sample i stands for half a sample before `i * factor`

    References
    ----------
    J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", IEEE
    Int. Symp. Circuits and Systems, 1974.
    """
    if factor <= 1 or not len(samples):
        return np.asarray(samples, np.float32)
    matrix = _rows(factor)
    n = -(-len(samples) // factor)
    n_rows = -(-n // ROW)
    lead = LOW_TAPS * factor // 2
    padded = zero_pad(samples, (n_rows - 1) * ROW * factor + len(matrix), lead=lead)
    windows = sliding_frames(padded, len(matrix), hop=ROW * factor)
    return np.asarray((np.ascontiguousarray(windows) @ matrix).ravel()[:n])
