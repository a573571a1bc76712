"""Short-time spectra of copies, their mean over bands, and the power of rounding noise."""

from __future__ import annotations

import math

import numpy as np

FRAME = 1024
MOST_S = 1.5  # compared


def frame_spectra(x: np.ndarray) -> np.ndarray:
    """Return spectra of half-overlapping frames, complex, shape (n_frames, FRAME // 2 + 1).

    `x` has shape (n,); white noise of variance 1 has a mean power of 1 in each bin.
    """
    n = max(1, (len(x) - FRAME) // (FRAME // 2) + 1)
    padded = np.zeros((n - 1) * FRAME // 2 + FRAME)
    padded[: min(len(x), len(padded))] = x[: len(padded)]
    view = np.lib.stride_tricks.sliding_window_view(padded, FRAME)[:: FRAME // 2]
    window = np.hanning(FRAME + 2)[1:-1]
    return np.asarray(np.fft.rfft(view * window, axis=1) / math.sqrt(np.square(window).sum()))


def band_powers(spectra: np.ndarray, *, sr: int, width_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Return mean powers of bands, shape (n_frames, n_bands), and their centers in Hz."""
    power, step = np.square(np.abs(spectra)), sr / FRAME
    size = max(1, round(width_hz / step))
    n = (power.shape[1] - 1) // size
    means = power[:, 1 : 1 + n * size].reshape(len(power), n, size).mean(axis=2)
    return means, (np.arange(n) + 0.5) * size * step + step


def rounding_power(bits: int) -> float:
    """Return the power of the rounding noise of so many bits in a bin; 0 bits are float."""
    return (2.0 ** (1 - bits)) ** 2 / 12 if bits else 1e-16
