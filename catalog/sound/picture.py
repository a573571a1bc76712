"""The similarity picture: band energy at log-spaced times, a low picture, a fine spectrum.

All blocks are free of gain and polarity and start at the onset. Input is mono at `SR` with the
onset at frame 0 and a peak of 1 (see `prepare_mono`). Published listening tests on drum sounds
find the time axis decisive [1]_, so nothing here is a mean and spread over time.

References
----------
.. [1] E. Pampalk, P. Herrera and M. Goto, "Computational models of similarity for drum samples",
   IEEE Trans. Audio, Speech, and Language Processing 16, 408-423, 2008.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from catalog.sound.decode import resample
from catalog.sound.strokes import OFFSET_STRIDE

SR = 44_100  # Hz; every picture is taken at this rate
MAX_S = 6.0  # what comes later is tail that no drum is told by
FRAME, HOP, LATE_HOP = 1024, 128, 512  # samples
PAD = 256  # zeros before the onset, so that the first frame holds the attack
EDGES_MS = (0, 4, 10, 20, 35, 60, 100, 160, 250, 400, 650, 1000, 1600)
LATE_FROM_MS = 100  # from here on frames may be sparser
N_BANDS, BAND_RANGE_HZ = 36, (40.0, 18_000.0)
POWER = 0.15  # compression of band energies; between sone's 0.3 of amplitude and a logarithm
LOW_DECIMATION, LOW_FRAME, LOW_HOP, LOW_FFT = 8, 256, 32, 512
LOW_EDGES_MS = (0, 20, 60, 120, 250, 500, 1000)
N_LOW_BANDS, LOW_RANGE_HZ = 24, (32.0, 1_200.0)
FINE_FRAMES = ((5, 4096), (40, 8192), (200, 8192))  # ms after the onset, samples
N_FINE_BANDS, FINE_FROM_HZ, FINE_POWER = 99, 45.0, 0.12  # 12 bands an octave

N_IMAGE = N_BANDS * (len(EDGES_MS) - 1)
N_LOW = N_LOW_BANDS * (len(LOW_EDGES_MS) - 1)
N_FINE = N_FINE_BANDS * len(FINE_FRAMES)


def prepare_mono(mono: np.ndarray, *, sr: int, start: int) -> np.ndarray:
    """Cut at `start`, bring to `SR`, remove the offset, scale the peak to 1.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz
    start : int, frames; where the hit begins

    Returns
    -------
    np.ndarray, float32, at most `MAX_S` long
    """
    y = mono[start : start + int(MAX_S * sr)].astype(np.float32)
    y = resample(y - np.median(y[::OFFSET_STRIDE]), sr=sr, to_sr=SR)
    peak = float(np.abs(y).max(initial=0.0))
    return np.asarray(y / peak, dtype=np.float32) if peak > 0 else y


def triangles(n_bands: int, range_hz: tuple[float, float], *, n_fft: int, sr: int) -> np.ndarray:
    """Overlapping triangular filters on a logarithmic frequency axis.

    Parameters
    ----------
    n_bands : int
    range_hz : pair of float, lowest and highest corner
    n_fft : int, samples
    sr : int, Hz

    Returns
    -------
    np.ndarray, float32, shape (n_bands, n_fft // 2 + 1)
        a band narrower than a bin takes its value by interpolation between the nearest bins
    """
    corners = np.geomspace(*range_hz, n_bands + 2)
    bins = np.arange(n_fft // 2 + 1) * sr / n_fft
    rise = (bins - corners[:-2, None]) / (corners[1:-1] - corners[:-2])[:, None]
    fall = (corners[2:, None] - bins) / (corners[2:] - corners[1:-1])[:, None]
    weights = np.maximum(0.0, np.minimum(rise, fall))
    for band in np.flatnonzero(weights.sum(axis=1) < 1.0):
        at = corners[band + 1] * n_fft / sr
        low = int(at)
        weights[band] = 0.0
        weights[band, low], weights[band, low + 1] = 1.0 - (at - low), at - low
    return weights.astype(np.float32)


@lru_cache(maxsize=1)
def _filters() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    wide = triangles(N_BANDS, BAND_RANGE_HZ, n_fft=FRAME, sr=SR)
    low = triangles(N_LOW_BANDS, LOW_RANGE_HZ, n_fft=LOW_FFT, sr=SR // LOW_DECIMATION)
    top = FINE_FROM_HZ * 2 ** ((N_FINE_BANDS + 1) / 12)
    fine = [triangles(N_FINE_BANDS, (FINE_FROM_HZ, top), n_fft=n, sr=SR) for n in (4096, 8192)]
    sums = [np.maximum(f.sum(axis=1, keepdims=True), 1e-9) for f in fine]
    return wide, low, fine[0] / sums[0], fine[1] / sums[1]


@lru_cache(maxsize=1)
def _frame_starts() -> tuple[np.ndarray, np.ndarray]:
    """First sample of each frame, and the segment of `EDGES_MS` that it falls in."""
    late = round(LATE_FROM_MS * SR / 1000)
    end = round(EDGES_MS[-1] * SR / 1000)
    starts = np.concatenate([np.arange(0, late, HOP), np.arange(late, end, LATE_HOP)])
    segment = np.searchsorted(np.array(EDGES_MS) * SR / 1000, starts, side="right") - 1
    return starts, segment


def frame_powers(y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Power spectra of the frames that exist, and the segment of `EDGES_MS` of each.

    Parameters
    ----------
    y : np.ndarray, shape (n,), prepared mono

    Returns
    -------
    powers : np.ndarray, float32, shape (n_frames, FRAME // 2 + 1)
    segment : np.ndarray, int, shape (n_frames,)
    """
    from scipy.fft import rfft

    starts, segment = _frame_starts()
    n = int(np.searchsorted(starts, len(y) + PAD))
    starts, segment = starts[:n], segment[:n]
    padded = np.concatenate([np.zeros(PAD, np.float32), y[: starts[-1] + FRAME]])
    padded = np.pad(padded, (0, max(0, starts[-1] + FRAME - len(padded))))
    frames = np.lib.stride_tricks.sliding_window_view(padded, FRAME)[starts]
    spectra = rfft(frames * _hann(FRAME), axis=1)
    return spectra.real**2 + spectra.imag**2, segment


@lru_cache(maxsize=8)
def _hann(n: int) -> np.ndarray:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)).astype(np.float32)


def _segment_means(values: np.ndarray, segment: np.ndarray, n_segments: int) -> np.ndarray:
    """Mean over the frames of each segment, 0 where it has none; shape (n_segments, n_bands)."""
    pick = np.zeros((n_segments, len(segment)), np.float32)
    pick[segment, np.arange(len(segment))] = 1.0
    return np.asarray(pick @ values / np.maximum(pick.sum(axis=1, keepdims=True), 1.0))


def _compressed(energies: np.ndarray, power: float) -> np.ndarray:
    top = float(energies.max(initial=0.0))
    if top <= 0:
        return np.zeros(energies.size, np.float32)
    return np.asarray((energies / top).ravel() ** power, dtype=np.float32)


def wide_image(powers: np.ndarray, segment: np.ndarray) -> np.ndarray:
    """Band energy by time, 36 bands and 12 log-spaced segments, compressed; shape (N_IMAGE,).

    Parameters
    ----------
    powers, segment : as `frame_powers` gives them
    """
    bands = powers @ _filters()[0].T
    return _compressed(_segment_means(bands, segment, len(EDGES_MS) - 1), POWER)


def low_image(y: np.ndarray) -> np.ndarray:
    """The same below 1.2 kHz with finer bands; shape (N_LOW,).

    Parameters
    ----------
    y : np.ndarray, shape (n,), prepared mono
    """
    from scipy.fft import rfft

    low = _decimate(y[: round(1.2 * SR)])
    low_sr = SR // LOW_DECIMATION
    starts = np.arange(0, min(len(low), round(LOW_EDGES_MS[-1] * low_sr / 1000)), LOW_HOP)
    low = np.pad(low, (LOW_FRAME // 4, LOW_FRAME))
    frames = np.lib.stride_tricks.sliding_window_view(low, LOW_FRAME)[starts]
    spectra = rfft(frames * _hann(LOW_FRAME), LOW_FFT, axis=1)
    bands = (spectra.real**2 + spectra.imag**2) @ _filters()[1].T
    edges = np.array(LOW_EDGES_MS) * low_sr / 1000
    segment = np.searchsorted(edges, starts, side="right") - 1
    return _compressed(_segment_means(bands, segment, len(LOW_EDGES_MS) - 1), POWER)


def _decimate(y: np.ndarray) -> np.ndarray:
    """Keep the band below 2.7 kHz by cutting the spectrum of 65,536 points."""
    from scipy.fft import irfft, rfft

    n = 65_536
    kept = n // LOW_DECIMATION
    spectrum = rfft(np.pad(y[: n - 4096], (0, n - min(len(y), n - 4096))))[: kept // 2 + 1]
    return np.asarray(irfft(spectrum, kept))[: -(-min(len(y), n) // LOW_DECIMATION)]


def fine_spectrum(y: np.ndarray) -> np.ndarray:
    """Mean power in 99 bands, 12 an octave from 45 Hz, at three times; shape (N_FINE,).

    Parameters
    ----------
    y : np.ndarray, shape (n,), prepared mono
    """
    from scipy.fft import rfft

    rows = []
    for ms, n in FINE_FRAMES:
        start = round(ms * SR / 1000)
        frame = y[start : start + n]
        frame = np.pad(frame, (0, n - len(frame))) * _hann(n)
        spectrum = rfft(frame)
        filters = _filters()[2 if n == 4096 else 3]
        rows.append(filters @ (spectrum.real**2 + spectrum.imag**2))
    return _compressed(np.stack(rows), FINE_POWER)
