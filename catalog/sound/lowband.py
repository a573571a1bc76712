"""The lowest part of a sound at a low rate: short, and all that the pitch of a drum needs."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from catalog.sound.frames import windows_of, zero_padded

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


def keep_low(samples: np.ndarray, factor: int) -> np.ndarray:
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
    padded = zero_padded(samples, (n_rows - 1) * ROW * factor + len(matrix), lead=lead)
    windows = windows_of(padded, len(matrix), hop=ROW * factor)
    return np.asarray((np.ascontiguousarray(windows) @ matrix).ravel()[:n])
