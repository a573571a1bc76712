"""Levels of a take in blocks of 1 ms, as a whole and in three bands."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

BLOCK_S = 0.001
BANDS_HZ = ((0.0, 250.0), (250.0, 2500.0), (2500.0, 0.0))  # drum, body, stick; 0 means open
NYQUIST_SHARE = 0.45  # of the sample rate; a band that reaches beyond it is left out
PART_BLOCKS = 512  # filtered at once; they stay in the processor's cache
TINY = 1e-12  # mean square, -120 dBFS


def to_blocks(seconds: float) -> int:
    """Return a duration in blocks."""
    return round(seconds / BLOCK_S)


def to_db(power: np.ndarray) -> np.ndarray:
    """Convert mean squares to dB, with a floor at -120 dBFS."""
    return np.asarray(10.0 * np.log10(power + TINY))


def band_levels(mono: np.ndarray, *, sr: int, block: int) -> np.ndarray:
    """Return the level of each of `BANDS_HZ` in blocks of `block` frames, in dB."""
    from scipy.signal import sosfilt

    offset = np.median(mono[::8])
    n, step = len(mono) // block, PART_BLOCKS * block
    powers = np.zeros((len(BANDS_HZ), n))
    used = [band for band in range(len(BANDS_HZ)) if max(BANDS_HZ[band]) < NYQUIST_SHARE * sr]
    states = {band: np.zeros((len(_design_filter(band, sr)), 2)) for band in used}
    for start in range(0, n * block, step):
        part = mono[start : min(start + step, n * block)] - np.float64(offset)
        first = start // block
        for band in used:
            y, states[band] = sosfilt(_design_filter(band, sr), part, zi=states[band])
            blocks = y.reshape(-1, block)
            powers[band, first : first + len(blocks)] = np.square(blocks).mean(axis=1)
    return to_db(powers)


@lru_cache(maxsize=16)
def _design_filter(band: int, sr: int) -> np.ndarray:
    from scipy.signal import butter

    low, high = BANDS_HZ[band]
    if low and high:
        sos = butter(2, (low, high), "band", fs=sr, output="sos")
    else:
        sos = butter(2, low or high, "high" if low else "low", fs=sr, output="sos")
    return np.asarray(sos)


def smooth_level(level_db: np.ndarray, length_s: float) -> np.ndarray:
    """Average the power over a centered window of `length_s`; dB in, dB out."""
    from scipy.ndimage import uniform_filter1d

    n = to_blocks(length_s)
    return to_db(uniform_filter1d(10.0 ** (level_db / 10.0), n, axis=-1, mode="nearest"))


def sliding_max(levels: np.ndarray, first: int, stop: int) -> np.ndarray:
    """Return for each block the highest level from `first` to `stop` (exclusive) blocks later.

    `levels` and the result are in dB, shape (n_bands, n_blocks); negative blocks lie before.
    """
    from scipy.ndimage import maximum_filter1d

    n, margin = stop - first, abs(first) + abs(stop) + 1
    padded = np.pad(levels, ((0, 0), (margin, margin)), constant_values=10 * np.log10(TINY))
    high = maximum_filter1d(padded, n, axis=1)  # the window at block c starts at c - n // 2
    at = margin + first + n // 2
    return np.asarray(high[:, at : at + levels.shape[1]])
