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

from catalog.audio.resample import resample
from catalog.features.spectrum import (
    decimate,
    frame_power,
    periodic_hann,
    sliding_frames,
    symmetric_hann,
    zero_pad,
)
from catalog.features.waveform import abs_peak, dc_offset

SR = 44_100  # Hz; every picture is taken at this rate
MAX_S = 6.0  # what comes later is tail that no drum is told by
FRAME = 1024  # samples
# From each time on, ms, frames stand so far apart: an attack is looked at closely, a tail here and
# there. Closer frames in the tail changed no figure.
HOPS = ((0, 128), (35, 256), (100, 512), (250, 1024), (650, 2048))
PAD = 256  # zeros before the onset, so that the first frame holds the attack
EDGES_MS = (0, 4, 10, 20, 35, 60, 100, 160, 250, 400, 650, 1000, 1600)
N_BANDS, BAND_RANGE_HZ = 36, (40.0, 18_000.0)
POWER = 0.15  # compression of band energies; between sone's 0.3 of amplitude and a logarithm
LOW_DECIMATION, LOW_FRAME, LOW_FFT = 8, 256, 512
LOW_HOPS = ((0, 32), (120, 64), (250, 128))  # ms, samples of the low rate
LOW_EDGES_MS = (0, 20, 60, 120, 250, 500, 1000)
N_LOW_BANDS, LOW_RANGE_HZ = 24, (32.0, 1_200.0)
FINE_FRAMES = ((5, 4096), (40, 8192), (200, 8192))  # ms after the onset, samples
LONG_FRAME, TONE_MS = 8192, 10  # samples, 5 Hz; where the frame stands that tones are told by
N_FINE_BANDS, FINE_FROM_HZ, FINE_POWER = 99, 45.0, 0.12  # 12 bands an octave

N_SPECTROGRAM = N_BANDS * (len(EDGES_MS) - 1)
N_LOW_SPECTROGRAM = N_LOW_BANDS * (len(LOW_EDGES_MS) - 1)
N_FINE_SPECTRUM = N_FINE_BANDS * len(FINE_FRAMES)


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
    y = mono[start : start + int(MAX_S * sr)]
    y = resample(np.asarray(y - dc_offset(y), np.float32), sr=sr, to_sr=SR, quality="HQ")
    peak = abs_peak(y)
    return np.asarray(y * np.float32(1.0 / peak)) if peak > 1e-30 else y


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
def _filters() -> tuple[np.ndarray, np.ndarray]:
    wide = triangles(N_BANDS, BAND_RANGE_HZ, n_fft=FRAME, sr=SR)
    low = triangles(N_LOW_BANDS, LOW_RANGE_HZ, n_fft=LOW_FFT, sr=SR // LOW_DECIMATION)
    return np.ascontiguousarray(wide.T), np.ascontiguousarray(low.T)


@lru_cache(maxsize=4)
def _fine_filters(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Bins that the fine bands take, their weights, and where in both each band begins."""
    top = FINE_FROM_HZ * 2 ** ((N_FINE_BANDS + 1) / 12)
    filters = triangles(N_FINE_BANDS, (FINE_FROM_HZ, top), n_fft=n, sr=SR)
    filters /= np.maximum(filters.sum(axis=1, keepdims=True), 1e-9)
    bands, bins = np.nonzero(filters)
    return bins, filters[bands, bins], np.searchsorted(bands, np.arange(N_FINE_BANDS))


def frame_positions(hops: tuple[tuple[int, int], ...], end_ms: int, sr: float) -> np.ndarray:
    """First sample of each frame, from 0 to `end_ms`, where hops widen at given times in ms."""
    starts, at = [], 0
    until = [ms for ms, _ in hops[1:]] + [end_ms]
    for (_, hop), stop_ms in zip(hops, until, strict=True):
        while at < stop_ms * sr / 1000:
            starts.append(at)
            at += hop
    return np.array(starts)


@lru_cache(maxsize=1)
def frame_starts() -> tuple[np.ndarray, np.ndarray]:
    """First sample of each frame, and the segment of `EDGES_MS` that it falls in."""
    starts = frame_positions(HOPS, EDGES_MS[-1], SR)
    return starts, np.searchsorted(np.array(EDGES_MS) * SR / 1000, starts, side="right") - 1


@lru_cache(maxsize=1)
def _low_starts() -> tuple[np.ndarray, np.ndarray]:
    low_sr = SR / LOW_DECIMATION
    starts = frame_positions(LOW_HOPS, LOW_EDGES_MS[-1], low_sr)
    return starts, np.searchsorted(np.array(LOW_EDGES_MS) * low_sr / 1000, starts, "right") - 1


def take_frames(y: np.ndarray, starts: np.ndarray, n: int, *, lead: int) -> np.ndarray:
    """Frames of `n` samples with a Hann window, after `lead` zeros; shape (len(starts), n)."""
    padded = zero_pad(y, int(starts[-1]) + n, lead=lead)
    frames = sliding_frames(padded, n)[starts]
    frames *= periodic_hann(n)
    return frames


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
    starts, segment = frame_starts()
    n = int(np.searchsorted(starts, len(y) + PAD))
    return frame_power(take_frames(y, starts[:n], FRAME, lead=PAD)), segment[:n]


def _segment_means(values: np.ndarray, segment: np.ndarray, n_segments: int) -> np.ndarray:
    """Mean over the frames of each segment, 0 where it has none; shape (n_segments, n_bands)."""
    pick = (segment == np.arange(n_segments)[:, None]).astype(np.float32)
    return np.asarray(pick @ values / np.maximum(pick.sum(axis=1, keepdims=True), 1.0))


def _compressed(energies: np.ndarray, power: float) -> np.ndarray:
    top = float(energies.max(initial=0.0))
    if top <= 0:
        return np.zeros(energies.size, np.float32)
    return np.asarray((energies / top).ravel() ** power, dtype=np.float32)


def band_spectrogram(powers: np.ndarray, segment: np.ndarray) -> np.ndarray:
    """Band energy by time, 36 bands and 12 log-spaced segments, compressed; shape (N_SPECTROGRAM,).

    Parameters
    ----------
    powers, segment : as `frame_powers` gives them
    """
    bands = powers @ _filters()[0]
    return _compressed(_segment_means(bands, segment, len(EDGES_MS) - 1), POWER)


def low_band(y: np.ndarray) -> np.ndarray:
    """Prepared mono at an eighth of the rate, as far as the low picture looks."""
    return decimate(y[: round(LOW_EDGES_MS[-1] * SR / 1000) + LOW_DECIMATION * LOW_FRAME], 8)


def low_spectrogram(low: np.ndarray) -> np.ndarray:
    """The low picture of what `low_band` gives."""
    starts, segment = _low_starts()
    n = int(np.searchsorted(starts, len(low)))
    frames = take_frames(low, starts[:n], LOW_FRAME, lead=LOW_FRAME // 4)
    bands = frame_power(frames, LOW_FFT) @ _filters()[1]
    return _compressed(_segment_means(bands, segment[:n], len(LOW_EDGES_MS) - 1), POWER)


def long_frame_powers(y: np.ndarray) -> np.ndarray:
    """Power spectra of the long frames: those of the fine spectrum, and last the one for tones.

    They are transformed together, which is faster than one by one; a shorter frame is
    filled up with zeros.

    Parameters
    ----------
    y : np.ndarray, shape (n,), prepared mono

    Returns
    -------
    np.ndarray, float32, shape (len(FINE_FRAMES) + 1, LONG_FRAME // 2 + 1)
    """
    windows = [periodic_hann(n) for _, n in FINE_FRAMES] + [symmetric_hann(LONG_FRAME)]
    frames = np.zeros((len(windows), LONG_FRAME), np.float32)
    starts_ms = [ms for ms, _ in FINE_FRAMES] + [TONE_MS]
    for frame, start_ms, window in zip(frames, starts_ms, windows, strict=True):
        part = y[round(start_ms * SR / 1000) :][: len(window)]
        np.multiply(part, window[: len(part)], out=frame[: len(part)])
    return frame_power(frames)


def fine_spectrum(powers: np.ndarray) -> np.ndarray:
    """The fine spectrum of what `long_frame_powers` gives."""
    rows = []
    for power, (_, n) in zip(powers, FINE_FRAMES, strict=False):
        bins, weights, begins = _fine_filters(n)
        rows.append(np.add.reduceat(power[:: LONG_FRAME // n][bins] * weights, begins))
    return _compressed(np.stack(rows), FINE_POWER)
