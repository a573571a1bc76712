"""Time-frequency cells: coherence of two signals in each segment and band, as a score in dB."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from catalog.features.embedding.spectrogram import SR
from catalog.features.spectrum import squared_magnitude

SEGMENTS_MS = ((0, 20), (20, 60), (60, 150), (150, 350), (350, 800))
EARLY_SEGMENTS = 1  # the attack; drum machines repeat it exactly, so later segments must agree too
N_BANDS, BAND_RANGE_HZ = 12, (60.0, 16_000.0)
MIN_BINS = 4  # of a band: coherence over fewer bins is high by chance
CELL_RANGE_DB = 60.0  # below the strongest cell of a segment; weaker cells are ignored
CELL_SNR_DB = 10.0  # a cell must be so far above the noise of both signals
MAX_SCORE_DB = 40.0  # rounding to 16 bits alone leaves about this residual


def segment_slices(n: int) -> list[slice]:
    """Return those of `SEGMENTS_MS` of which `n` samples at `SR` cover at least half.

    Their lengths are reduced to the next one with a fast transform.
    """
    from scipy.fft import prev_fast_len

    slices = []
    for start_ms, stop_ms in SEGMENTS_MS:
        start, stop = (round(ms * SR / 1000) for ms in (start_ms, stop_ms))
        available = min(stop, n) - start
        if available < (stop - start) // 2:
            break
        slices.append(slice(start, start + prev_fast_len(available)))
    return slices


class Bands(NamedTuple):
    """Frequency bands of a segment."""

    edges: np.ndarray  # int, shape (n_bands + 1,), first bin of each band and end of the last
    min_power: np.ndarray  # shape (n_bands,), least power of a cell at noise of variance 1
    center_hz: np.ndarray  # shape (n_bands,)


@lru_cache(maxsize=512)
def _bands(n: int) -> Bands:
    """Return the bands of a segment of `n` samples; narrow ones are merged to `MIN_BINS`."""
    edges = np.round(np.geomspace(*BAND_RANGE_HZ, N_BANDS + 1) * n / SR).astype(int)
    merged = [int(edges[0])]
    for edge in edges[1:]:
        if edge - merged[-1] >= MIN_BINS:
            merged.append(int(edge))
    edges = np.array(merged)
    window_energy = float(np.square(_window(n)).sum())
    min_power = np.diff(edges) * window_energy * 10 ** (CELL_SNR_DB / 10)
    return Bands(edges, min_power, np.sqrt(edges[1:] * edges[:-1]) * SR / n)


@lru_cache(maxsize=512)
def _window(n: int) -> np.ndarray:
    from scipy.signal.windows import tukey

    return np.asarray(tukey(n, 0.5), dtype=np.float32)


@lru_cache(maxsize=512)
def _phase_per_sample(n: int) -> np.ndarray:
    """Return the phase of each bin for a delay of one sample, in radians; float32."""
    return (2 * np.pi * np.arange(n // 2 + 1) / n).astype(np.float32)


def _advance_phasors(n: int, fraction: np.ndarray) -> np.ndarray:
    """Return phasors that undo a fractional delay; complex64, shape (n_segments, n // 2 + 1)."""
    angle = fraction * _phase_per_sample(n)
    phasors = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=phasors.real)
    np.sin(angle, out=phasors.imag)
    return phasors


class Cells(NamedTuple):
    """Cells of one segment that are above the noise of both signals; shape (n_cells,) each."""

    score_db: np.ndarray  # -10 log10(1 - magnitude-squared coherence)
    center_hz: np.ndarray  # center of the band
    energy: np.ndarray  # of the first signal
    in_phase_db: np.ndarray  # the score with only the in-phase part of the cross-spectrum
    gain_db: np.ndarray  # level of the second signal relative to the first


def windowed_spectrum(segment: np.ndarray) -> np.ndarray:
    """Return the spectrum of a segment under a Tukey window, shape (..., n // 2 + 1)."""
    from scipy.fft import rfft

    return np.asarray(rfft(segment * _window(segment.shape[-1])))


def cell_scores_db(
    a: np.ndarray, b: np.ndarray, fraction: np.ndarray, noise_a: np.ndarray, noise_b: np.ndarray
) -> list[np.ndarray]:
    """Return `Cells.score_db` of many segments of one length.

    Parameters
    ----------
    a, b : np.ndarray, float32, shape (n_segments, n)
    fraction : np.ndarray, float32, shape (n_segments, 1), delay of `b` in samples
    noise_a, noise_b : np.ndarray, shape (n_segments, 1), noise variance of a sample

    Returns
    -------
    list of np.ndarray, shape (n_cells,), one per segment
    """
    n = a.shape[1]
    if len(_bands(n).edges) < 2:
        return [np.zeros(0)] * len(a)
    aligned = windowed_spectrum(b) * _advance_phasors(n, fraction)
    powers = _band_powers(windowed_spectrum(a), aligned, n, noise_a, noise_b)
    cross, power_a, power_b, is_usable = powers
    coherence = squared_magnitude(cross[is_usable]) / (power_a[is_usable] * power_b[is_usable])
    scores = _score_db(coherence)
    stops = np.cumsum(is_usable.sum(axis=1)).tolist()
    return [scores[start:stop] for start, stop in zip([0, *stops], stops, strict=False)]


def _band_powers(
    spectrum_a: np.ndarray,
    spectrum_b: np.ndarray,
    n: int,
    noise_a: float | np.ndarray,
    noise_b: float | np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return cross power, both powers, and which bands are above the noise of both.

    Each has shape (..., n_bands); the segment must have at least one band.
    """
    edges, min_power, _ = _bands(n)
    bins, starts = slice(edges[0], edges[-1]), edges[:-1] - edges[0]
    a, b = spectrum_a[..., bins], spectrum_b[..., bins]
    power_a = np.add.reduceat(squared_magnitude(a), starts, axis=-1)
    power_b = np.add.reduceat(squared_magnitude(b), starts, axis=-1)
    cross = np.add.reduceat(a * np.conj(b), starts, axis=-1)
    floor = 10 ** (-CELL_RANGE_DB / 10)
    is_usable = (power_a > min_power * noise_a) & (power_b > min_power * noise_b)
    is_usable &= power_a > floor * power_a.max(axis=-1, keepdims=True)
    is_usable &= power_b > floor * power_b.max(axis=-1, keepdims=True)
    return cross, power_a, power_b, is_usable


def score_cells(
    spectrum_a: np.ndarray, spectrum_b: np.ndarray, n: int, noise_a: float, noise_b: float
) -> Cells:
    """Score each band of one segment that is above the noise of both signals.

    The spectra are `windowed_spectrum` of `n` samples; the noise is the variance of a sample.
    """
    edges, _, center_hz = _bands(n)
    if len(edges) < 2:
        return Cells(*(np.zeros(0) for _ in Cells._fields))
    cross, power_a, power_b, is_usable = _band_powers(spectrum_a, spectrum_b, n, noise_a, noise_b)
    cross, power_a, power_b = cross[is_usable], power_a[is_usable], power_b[is_usable]
    in_phase = np.square(np.maximum(cross.real, 0.0))
    shared = np.stack([squared_magnitude(cross), in_phase])
    score_db, in_phase_db = _score_db(shared / (power_a * power_b))
    gain_db = 10.0 * np.log10(power_b / power_a)
    return Cells(score_db, center_hz[is_usable], power_a, in_phase_db, gain_db)


def _score_db(coherence: np.ndarray) -> np.ndarray:
    return np.minimum(-10.0 * np.log10(np.maximum(1.0 - coherence, 1e-9)), MAX_SCORE_DB)
