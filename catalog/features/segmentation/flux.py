"""Compute the spectral flux of a take, which shows strokes that a ring hides from the level.

A cymbal that is struck while it rings raises many narrow bands by a little. The mean over the bands
varies far less than the level of any of them, so it separates strokes from ringing noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.features.spectrum import squared_magnitude

FRAME_S = 0.0116  # length of a spectrum
HOP_S = 0.003  # between spectra
N_BANDS = 18
BANDS_HZ = (200.0, 17_000.0)  # range of the bands, spaced evenly on a logarithmic scale
LOW_BAND_HZ = 60.0  # a further band reaches from here to the first of them
NYQUIST_SHARE = 0.45  # of the sample rate; the highest band ends below it
LAG_FRAMES = (3, 7)  # earlier frames whose highest level is compared; one frame overlaps three hops
FLOOR = 1e-9  # power of a band relative to full scale, below the noise of 16 bits
BATCH_FRAMES = 512  # spectra at once; they stay in the processor's cache


@dataclass(frozen=True, eq=False)
class Spectra:
    """Levels of bands and their flux, `hop` frames apart.

    Attributes
    ----------
    levels : np.ndarray, float32, shape (1 + N_BANDS, n_hops), dB; the first band is the low one
    flux : np.ndarray, shape (n_hops,), dB, mean rise of the bands but the low one
    hop : int, frames
    """

    levels: np.ndarray
    flux: np.ndarray
    hop: int


def spectral_flux(mono: np.ndarray, *, sr: int) -> Spectra:
    """Return the levels of narrow bands, and their mean rise for each hop.

    The level of each band in dB is compared with the highest level of the band and its neighbors in
    earlier spectra, so that vibrato and beating tones do not count as rises [1]_.

    Parameters
    ----------
    mono : np.ndarray, shape (n,), full scale 1.0
    sr : int, Hz, above 0

    References
    ----------
    .. [1] S. Boeck, G. Widmer, "Maximum filter vibrato suppression for onset detection", Proc. 16th
       Int. Conf. on Digital Audio Effects (DAFx-13), 2013.
    """
    hop = max(1, round(HOP_S * sr))
    levels, n_valid = _band_levels(mono, sr=sr, hop=hop)
    return Spectra(levels, _mean_rise(levels[1:n_valid]), hop)


def _mean_rise(levels: np.ndarray) -> np.ndarray:
    from scipy.ndimage import maximum_filter1d

    first, last = LAG_FRAMES
    n = levels.shape[1]
    earlier = maximum_filter1d(levels, last - first + 1, axis=1)  # centered on the window
    earlier = maximum_filter1d(earlier, 3, axis=0)
    lag = (first + last) // 2
    before = np.repeat(earlier[:, :1], lag, axis=1)
    earlier = np.concatenate([before, earlier], axis=1)[:, :n]
    return np.asarray(np.maximum(levels - earlier, 0.0).mean(axis=0))


def _band_levels(mono: np.ndarray, *, sr: int, hop: int) -> tuple[np.ndarray, int]:
    """Return the levels of the bands in dB, shape (n_bands, n_hops), and how many are valid.

    The others lie above what the sample rate holds.
    """
    from scipy.fft import next_fast_len, rfft

    size = next_fast_len(max(16, round(FRAME_S * sr)))
    size += size % 2
    window = np.hanning(size).astype(np.float32)
    padded = np.pad(np.asarray(mono, np.float32), (size // 2, size // 2))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    edges_hz = np.array([LOW_BAND_HZ, *np.geomspace(*BANDS_HZ, N_BANDS + 1)])
    edges = np.round(edges_hz * size / sr).astype(int)
    n_valid = int(np.count_nonzero(edges_hz[1:] <= NYQUIST_SHARE * sr))
    levels = np.full((len(frames), N_BANDS + 1), 10.0 * np.log10(FLOOR * size), np.float32)
    for start in range(0, len(frames), BATCH_FRAMES):
        power = squared_magnitude(rfft(frames[start : start + BATCH_FRAMES] * window, axis=1))
        bands = np.add.reduceat(power, edges[: n_valid + 1], axis=1)[:, :-1]
        levels[start : start + BATCH_FRAMES, :n_valid] = 10.0 * np.log10(bands + FLOOR * size)
    return np.ascontiguousarray(levels.T), n_valid


def frames_of_blocks(blocks: np.ndarray, spectra: Spectra, *, block: int) -> np.ndarray:
    """Return the index of the spectrum nearest to the center of each block."""
    nearest = ((2 * blocks + 1) * block + spectra.hop) // (2 * spectra.hop)
    return np.minimum(nearest, len(spectra.flux) - 1)
