"""Align two signals: lags from a partly whitened cross-correlation, and the overlap at a lag."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from catalog.features.embedding.spectrogram import SR
from catalog.matching.prepare import (
    MARGIN,
    MAX_LAG_S,
    PreparedSignal,
    group_indices,
    whiten_spectra,
)

N_LAGS = 4  # tried where a start was cut: a low tone agrees with itself one period later
MIN_PEAK_SHARE = 0.4  # of the highest peak; lower peaks are not tried
MAX_LAG = round(MAX_LAG_S * SR)
PAIRS_AT_ONCE = 16  # a pair takes 300 kB while its lags are searched


class LagCandidates(NamedTuple):
    """Lags at which two signals may be aligned, independent of polarity."""

    # by how much the second is later, interpolated, the highest peak first; empty for silence
    samples: list[float]
    peak: float  # height of the highest peak, 1 for equal signals


class Overlap(NamedTuple):
    """The samples that both signals contain at one lag, with the noise variance of each.

    `a` and `b` are pre-emphasized, shape (n,).
    """

    a: np.ndarray
    b: np.ndarray
    noise_a: float
    noise_b: float

    def swapped(self) -> Overlap:
        """Return it with the two signals exchanged."""
        return Overlap(self.b, self.a, self.noise_b, self.noise_a)


def cut_overlap(first: PreparedSignal, second: PreparedSignal, lag: int) -> Overlap:
    """Cut two signals to the samples that both contain; the second is `lag` samples later."""
    skip_a, skip_b = max(0, -lag), max(0, lag)
    a, b = first.samples[skip_a:], second.samples[skip_b:]
    # start where both come from the file and the earlier stroke has begun
    start = max(first.first - skip_a, second.first - skip_b, MARGIN - max(skip_a, skip_b), 0)
    stop = max(start, min(len(a), len(b)))
    return Overlap(a[start:stop], b[start:stop], first.noise, second.noise)


def find_lags(pairs: Sequence[tuple[PreparedSignal, PreparedSignal]]) -> list[LagCandidates]:
    """Find the lags of the second signal of each pair; one result per pair."""
    lags: dict[int, LagCandidates] = {}
    fft_lengths = (max(a.lag_fft, b.lag_fft) for a, b in pairs)
    for n_fft, batch in group_indices(fft_lengths, PAIRS_AT_ONCE):
        lags.update(zip(batch, _find_batch([pairs[index] for index in batch], n_fft), strict=True))
    return [lags[index] for index in range(len(pairs))]


def _find_batch(
    pairs: Sequence[tuple[PreparedSignal, PreparedSignal]], n_fft: int
) -> list[LagCandidates]:
    from scipy.fft import irfft

    first, second = (whiten_spectra(signals, n_fft) for signals in zip(*pairs, strict=True))
    cross_spectra = np.stack([whitened.spectrum for whitened in first])
    np.conj(cross_spectra, out=cross_spectra)
    for row, whitened in zip(cross_spectra, second, strict=True):
        row *= whitened.spectrum
    correlation = irfft(cross_spectra, n_fft, axis=1)
    correlation = np.concatenate([correlation[:, -MAX_LAG:], correlation[:, : MAX_LAG + 1]], axis=1)
    correlation = np.abs(correlation)
    rows, columns = _highest_peaks(correlation)
    heights = correlation[rows, columns]
    neighbors = correlation[rows, columns - 1], correlation[rows, columns + 1]
    lags = columns - MAX_LAG + _parabola_vertex(neighbors[0], heights, neighbors[1])
    norms = [2.0 * a.norm * b.norm / n_fft for a, b in zip(first, second, strict=True)]
    starts = np.searchsorted(rows, np.arange(len(pairs) + 1)).tolist()
    return [
        LagCandidates(
            lags[start:stop].tolist()[:N_LAGS],
            float(heights[start]) / norm if stop > start and norm > 0 else 0.0,
        )
        for start, stop, norm in zip(starts[:-1], starts[1:], norms, strict=True)
    ]


def _highest_peaks(correlation: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return rows and columns of the peaks, row by row, the highest of a row first."""
    inner = correlation[:, 1:-1]
    is_peak = (inner > correlation[:, :-2]) & (inner >= correlation[:, 2:])
    highest = np.where(is_peak, inner, np.float32(0.0)).max(axis=1, keepdims=True)
    rows, columns = np.nonzero(is_peak & (inner >= MIN_PEAK_SHARE * highest))
    columns += 1
    order = np.lexsort((-correlation[rows, columns], rows))
    return rows[order], columns[order]


def _parabola_vertex(left: np.ndarray, top: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Return the vertex of the parabola through three points, in samples from the middle one."""
    left, top, right = (side.astype(np.float64) for side in (left, top, right))
    bend = left - 2 * top + right
    return np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
