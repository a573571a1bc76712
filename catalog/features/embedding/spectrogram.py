"""The spectral blocks of the embedding: band spectrogram, low spectrogram, fine spectrum.

All blocks start at the onset and do not depend on gain and polarity. Their input is mono at `SR`
with the onset at frame 0 and a peak of 1 (see `prepare_mono`). Published listening tests on drum
sounds find the time axis decisive [1]_, so no block averages over all of the time.

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
    frames_at,
    periodic_hann,
    sliding_frames,
    symmetric_hann,
    zero_pad,
)
from catalog.features.waveform import abs_peak, dc_offset

SR = 44_100  # Hz; all embeddings are computed at this rate
MAX_S = 6.0  # after the onset; a later tail does not distinguish drums

# Band spectrogram
FRAME = 1024  # samples
# Hops in samples from each time in ms on: dense in the attack, sparse in the tail. A denser tail
# changed no result.
HOPS = ((0, 128), (35, 256), (100, 512), (250, 1024), (650, 2048))
PAD = 256  # zeros before the onset, so that the first frame holds the attack
EDGES_MS = (0, 4, 10, 20, 35, 60, 100, 160, 250, 400, 650, 1000, 1600)
N_BANDS, BAND_RANGE_HZ = 36, (40.0, 18_000.0)
POWER = 0.15  # compression of band energy, between 0.3 (sone, for amplitude) and a logarithm
N_SPECTROGRAM = N_BANDS * (len(EDGES_MS) - 1)

# Low spectrogram
LOW_DECIMATION, LOW_FRAME, LOW_FFT = 8, 256, 512
LOW_HOPS = ((0, 32), (120, 64), (250, 128))  # ms, samples of the low rate
LOW_EDGES_MS = (0, 20, 60, 120, 250, 500, 1000)
N_LOW_BANDS, LOW_RANGE_HZ = 24, (32.0, 1_200.0)
N_LOW_SPECTROGRAM = N_LOW_BANDS * (len(LOW_EDGES_MS) - 1)

# Fine spectrum
FINE_FRAMES = ((5, 4096), (40, 8192), (200, 8192))  # ms after the onset, samples
N_FINE_BANDS, FINE_FROM_HZ, FINE_POWER = 99, 45.0, 0.12  # 12 bands per octave
N_FINE_SPECTRUM = N_FINE_BANDS * len(FINE_FRAMES)
LONG_FRAME = 8192  # samples; a resolution of 5 Hz
TONE_MS = 10  # start of the long frame in which tones are measured


def prepare_mono(mono: np.ndarray, *, sr: int, start: int) -> np.ndarray:
    """Cut at `start`, remove the DC offset, resample to `SR` and scale the peak to 1.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz
    start : int, frames; start of the hit

    Returns
    -------
    np.ndarray, float32, at most `MAX_S` long
    """
    y = mono[start : start + int(MAX_S * sr)]
    y = resample(np.asarray(y - dc_offset(y), np.float32), sr=sr, to_sr=SR, quality="HQ")
    peak = abs_peak(y)
    return np.asarray(y * np.float32(1.0 / peak)) if peak > 1e-30 else y


def triangles(n_bands: int, range_hz: tuple[float, float], *, n_fft: int, sr: int) -> np.ndarray:
    """Design overlapping triangular filters on a logarithmic axis; (n_bands, n_fft // 2 + 1).

    `range_hz` holds the lowest and the highest corner. A band narrower than a bin interpolates
    between the two nearest bins.
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
def _band_filters() -> tuple[np.ndarray, np.ndarray]:
    wide = triangles(N_BANDS, BAND_RANGE_HZ, n_fft=FRAME, sr=SR)
    low = triangles(N_LOW_BANDS, LOW_RANGE_HZ, n_fft=LOW_FFT, sr=SR // LOW_DECIMATION)
    return np.ascontiguousarray(wide.T), np.ascontiguousarray(low.T)


@lru_cache(maxsize=4)
def _fine_filters(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the nonzero bins of all fine bands, their weights, and the start of each band."""
    top = FINE_FROM_HZ * 2 ** ((N_FINE_BANDS + 1) / 12)
    filters = triangles(N_FINE_BANDS, (FINE_FROM_HZ, top), n_fft=n, sr=SR)
    filters /= np.maximum(filters.sum(axis=1, keepdims=True), 1e-9)
    bands, bins = np.nonzero(filters)
    return bins, filters[bands, bins], np.searchsorted(bands, np.arange(N_FINE_BANDS))


@lru_cache(maxsize=2)
def frame_positions(
    hops: tuple[tuple[int, int], ...], edges_ms: tuple[int, ...], sr: float
) -> tuple[np.ndarray, np.ndarray]:
    """Place frames with hops that widen over time; return their starts and time segments.

    `hops` are (ms, samples), each hop from its time on; `edges_ms` are the edges of the segments.
    """
    positions, at = [], 0
    stops_ms = [ms for ms, _ in hops[1:]] + [edges_ms[-1]]
    for (_, hop), stop_ms in zip(hops, stops_ms, strict=True):
        while at < stop_ms * sr / 1000:
            positions.append(at)
            at += hop
    starts = np.array(positions)
    return starts, np.searchsorted(np.array(edges_ms) * sr / 1000, starts, side="right") - 1


def _take_frames(y: np.ndarray, starts: np.ndarray, n: int, *, lead: int) -> np.ndarray:
    """Return Hann-windowed frames of `n` samples after `lead` zeros; shape (len(starts), n)."""
    padded = zero_pad(y, int(starts[-1]) + n, lead=lead)
    frames = sliding_frames(padded, n)[starts]
    frames *= periodic_hann(n)
    return frames


def frame_powers(y: np.ndarray) -> np.ndarray:
    """Return power spectra of the frames that `y` fills, shape (n_frames, FRAME // 2 + 1)."""
    starts, _ = frame_positions(HOPS, EDGES_MS, SR)
    n = int(np.searchsorted(starts, len(y) + PAD))
    return frame_power(_take_frames(y, starts[:n], FRAME, lead=PAD))


@lru_cache(maxsize=256)
def _segment_members(
    hops: tuple[tuple[int, int], ...], edges_ms: tuple[int, ...], sr: float, n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return which of the first `n` frames are in each segment, and how many, at least 1.

    Both are float32, shapes (n_segments, n) and (n_segments, 1); see `frame_positions`.
    """
    _, segments = frame_positions(hops, edges_ms, sr)
    members = (segments[:n] == np.arange(len(edges_ms) - 1)[:, None]).astype(np.float32)
    return members, np.maximum(members.sum(axis=1, keepdims=True), np.float32(1.0))


def _segment_means(
    values: np.ndarray, hops: tuple[tuple[int, int], ...], edges_ms: tuple[int, ...], sr: float
) -> np.ndarray:
    """Return the mean of each segment, 0 for one without frames; shape (n_segments, n_bands)."""
    members, counts = _segment_members(hops, edges_ms, sr, len(values))
    return np.asarray(members @ values / counts)


def _compress(energies: np.ndarray, power: float) -> np.ndarray:
    top = float(energies.max(initial=0.0))
    if top <= 0:
        return np.zeros(energies.size, np.float32)
    return np.asarray((energies / top).ravel() ** power, dtype=np.float32)


def band_spectrogram(powers: np.ndarray) -> np.ndarray:
    """Compute compressed band energy in 12 time segments, 36 bands each; shape (N_SPECTROGRAM,)."""
    bands = powers @ _band_filters()[0]
    return _compress(_segment_means(bands, HOPS, EDGES_MS, SR), POWER)


def low_band(y: np.ndarray) -> np.ndarray:
    """Decimate prepared mono by `LOW_DECIMATION`, for the duration of the low spectrogram."""
    n = round(LOW_EDGES_MS[-1] * SR / 1000) + LOW_DECIMATION * LOW_FRAME
    return decimate(y[:n], LOW_DECIMATION)


def low_spectrogram(low: np.ndarray) -> np.ndarray:
    """Compute compressed energy in narrower bands below 1.2 kHz; shape (N_LOW_SPECTROGRAM,)."""
    sr = SR / LOW_DECIMATION
    starts, _ = frame_positions(LOW_HOPS, LOW_EDGES_MS, sr)
    n = int(np.searchsorted(starts, len(low)))
    frames = _take_frames(low, starts[:n], LOW_FRAME, lead=LOW_FRAME // 4)
    bands = frame_power(frames, LOW_FFT) @ _band_filters()[1]
    return _compress(_segment_means(bands, LOW_HOPS, LOW_EDGES_MS, sr), POWER)


def long_frame_powers(y: np.ndarray) -> np.ndarray:
    """Return the power spectra of `FINE_FRAMES`, then of the frame for tones: one row for each."""
    windows = [periodic_hann(n) for _, n in FINE_FRAMES] + [symmetric_hann(LONG_FRAME)]
    starts = [round(ms * SR / 1000) for ms in (*(ms for ms, _ in FINE_FRAMES), TONE_MS)]
    return frame_power(frames_at(y, starts, windows, n=LONG_FRAME))


def fine_spectrum(long_powers: np.ndarray) -> np.ndarray:
    """Compute compressed power in 99 bands from 45 Hz at three times; shape (N_FINE_SPECTRUM,)."""
    rows = []
    for power, (_, n) in zip(long_powers, FINE_FRAMES, strict=False):
        bins, weights, band_starts = _fine_filters(n)
        rows.append(np.add.reduceat(power[:: LONG_FRAME // n][bins] * weights, band_starts))
    return _compress(np.stack(rows), FINE_POWER)
