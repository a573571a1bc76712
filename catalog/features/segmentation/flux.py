"""Compute the spectral flux of a take, which shows strokes that a ring hides from the level.

A cymbal that is struck while it rings raises many narrow bands by a little. The mean over the bands
varies far less than the level of any of them, so it separates strokes from ringing noise.
"""

from __future__ import annotations

import numpy as np

FRAME_S = 0.0116  # length of a spectrum
HOP_S = 0.003  # between spectra
N_BANDS = 18
BANDS_HZ = (200.0, 17_000.0)  # range of the bands, spaced evenly on a logarithmic scale
NYQUIST_SHARE = 0.45  # of the sample rate; the highest band ends below it
LAG_FRAMES = (3, 7)  # earlier frames whose highest level is compared; one frame overlaps three hops
FLOOR = 1e-9  # power of a band relative to full scale, below the noise of 16 bits
BATCH_FRAMES = 16_384  # spectra in memory at once


def spectral_flux(mono: np.ndarray, *, sr: int) -> tuple[np.ndarray, int]:
    """Return the mean rise of narrow bands for each hop, and the hop in frames.

    The level of each band in dB is compared with the highest level of the band and its neighbors in
    earlier spectra, so that vibrato and beating tones do not count as rises [1]_.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz, above 0

    Returns
    -------
    tuple of np.ndarray, shape (n // hop + 1,), dB, and int

    References
    ----------
    .. [1] S. Boeck, G. Widmer, "Maximum filter vibrato suppression for onset detection", Proc. 16th
       Int. Conf. on Digital Audio Effects (DAFx-13), 2013.
    """
    from scipy.ndimage import maximum_filter1d

    hop = max(1, round(HOP_S * sr))
    levels = _band_levels(mono, sr=sr, hop=hop)
    first, last = LAG_FRAMES
    before = np.repeat(levels[:, :1], last, axis=1)
    history = np.concatenate([before, levels], axis=1)
    n = levels.shape[1]
    earlier = np.maximum.reduce([history[:, last - lag :][:, :n] for lag in range(first, last + 1)])
    rise = levels - maximum_filter1d(earlier, 3, axis=0)
    return np.maximum(rise, 0.0).mean(axis=0), hop


def _band_levels(mono: np.ndarray, *, sr: int, hop: int) -> np.ndarray:
    """Return the levels of the bands in dB, shape (n_bands, n_hops)."""
    from scipy.fft import next_fast_len, rfft

    size = next_fast_len(max(16, round(FRAME_S * sr)))
    size += size % 2
    window = np.hanning(size).astype(np.float32)
    padded = np.pad(np.asarray(mono, np.float32), (size // 2, size // 2))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    high = min(BANDS_HZ[1], NYQUIST_SHARE * sr)
    edges_hz = np.geomspace(min(BANDS_HZ[0], high / 2), high, N_BANDS + 1)
    edges = np.unique(np.round(edges_hz * size / sr).astype(int))
    levels = []
    for start in range(0, len(frames), BATCH_FRAMES):
        spectrum = rfft(frames[start : start + BATCH_FRAMES] * window, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        bands = np.add.reduceat(power, edges, axis=1)[:, :-1]
        levels.append(10.0 * np.log10(bands + FLOOR * size))
    return np.concatenate(levels).T


def flux_per_block(mono: np.ndarray, *, sr: int, n_blocks: int, block: int) -> np.ndarray:
    """Return the flux at the center of each block of `block` frames, shape (n_blocks,)."""
    flux, hop = spectral_flux(mono, sr=sr)
    nearest = ((2 * np.arange(n_blocks) + 1) * block + hop) // (2 * hop)
    return np.asarray(flux[np.minimum(nearest, len(flux) - 1)])
