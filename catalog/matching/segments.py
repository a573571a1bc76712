"""Two sides compared segment by segment and band by band: cells, and what they have in common."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from catalog.features.spectrogram import SR
from catalog.features.spectrum import power_of

SEGMENTS_MS = ((0, 20), (20, 60), (60, 150), (150, 350), (350, 800))
EARLY_SEGMENTS = 1  # drum machines make the attack anew each time: agreement must go on after it
N_CELL_BANDS, CELL_RANGE_HZ = 12, (60.0, 16_000.0)
MIN_BINS = 4  # in a cell: coherence over fewer is high by chance
CELL_RANGE_DB = 60.0  # below the strongest cell nothing is judged
CELL_SNR_DB = 10.0  # a cell must stand this much above the noise of both sides
MAX_CELL_DB = 40.0  # 16-bit rounding alone leaves about this much behind


@lru_cache(maxsize=4096)
def quick_length(n: int) -> int:
    """Longest length up to `n` that has a fast transform: all factors up to 11; at least 1."""
    from scipy.fft import next_fast_len

    length = max(n, 1)
    while next_fast_len(length) != length:
        length -= 1
    return length


def segment_parts(n: int) -> list[slice]:
    """Those of `SEGMENTS_MS` of which `n` samples hold at least half, shortened by `quick_length`.

    Parameters
    ----------
    n : int, samples at `SR`

    Returns
    -------
    list of slice
    """
    parts = []
    for start_ms, stop_ms in SEGMENTS_MS:
        start, stop = (round(ms * SR / 1000) for ms in (start_ms, stop_ms))
        held = min(stop, n) - start
        if held < (stop - start) // 2:
            break
        parts.append(slice(start, start + quick_length(held)))
    return parts


@lru_cache(maxsize=512)
def _bands(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First bins of the bands of a segment of `n` samples and the last one's end; with one fewer:
    what noise of variance 1 may have in each, `CELL_SNR_DB` over it, and the middles in Hz.
    """
    edges = np.round(np.geomspace(*CELL_RANGE_HZ, N_CELL_BANDS + 1) * n / SR).astype(int)
    kept = [int(edges[0])]
    for edge in edges[1:]:
        if edge - kept[-1] >= MIN_BINS:
            kept.append(int(edge))
    edges = np.array(kept)
    energy = float(np.square(_taper(n)).sum())
    noise = np.diff(edges) * energy * 10 ** (CELL_SNR_DB / 10)
    return edges, noise, np.sqrt(edges[1:] * edges[:-1]) * SR / n


@lru_cache(maxsize=512)
def _taper(n: int) -> np.ndarray:
    from scipy.signal.windows import tukey

    return np.asarray(tukey(n, 0.5), dtype=np.float32)


@lru_cache(maxsize=512)
def _radians(n: int) -> np.ndarray:
    """By how much each bin of `n` samples turns in one of them; float32."""
    return (2 * np.pi * np.arange(n // 2 + 1) / n).astype(np.float32)


def _turns(n: int, fraction: np.ndarray) -> np.ndarray:
    """What makes up for a delay by part of a sample; complex64, shape (n_segments, n // 2 + 1)."""
    angle = fraction * _radians(n)
    turns = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=turns.real)
    np.sin(angle, out=turns.imag)
    return turns


class Cells(NamedTuple):
    """Cells of one segment that stand above the noise of both sides; all of shape (n_cells,).

    `score_db` is -10 log10(1 - coherence), `hz` the middle of the band, `energy` the first side's;
    `phased_db` is the score with what is out of phase taken for a difference, `gain_db` the level
    of the second side over the first.
    """

    score_db: np.ndarray
    hz: np.ndarray
    energy: np.ndarray
    phased_db: np.ndarray
    gain_db: np.ndarray


def tapered_spectrum(segment: np.ndarray) -> np.ndarray:
    """Spectrum of a segment that fades in and out, shape (..., n // 2 + 1)."""
    from scipy.fft import rfft

    return np.asarray(rfft(segment * _taper(segment.shape[-1])))


def scores_db(
    a: np.ndarray, b: np.ndarray, fraction: np.ndarray, noise_a: np.ndarray, noise_b: np.ndarray
) -> list[np.ndarray]:
    """Scores of the cells of segments of one length; `Cells.score_db` of each.

    Parameters
    ----------
    a, b : np.ndarray, float32, shape (n_segments, n)
    fraction : np.ndarray, float32, shape (n_segments, 1), samples by which `b` is late
    noise_a, noise_b : np.ndarray, shape (n_segments, 1), variance a sample

    Returns
    -------
    list of np.ndarray, one a segment, shape (n_cells,) each
    """
    n = a.shape[1]
    if len(_bands(n)[0]) < 2:
        return [np.zeros(0)] * len(a)
    turned = tapered_spectrum(b) * _turns(n, fraction)
    cross, power_a, power_b, heard = _in_bands(tapered_spectrum(a), turned, n, noise_a, noise_b)
    scores = _score_db(power_of(cross[heard]) / (power_a[heard] * power_b[heard]))
    ends = np.cumsum(heard.sum(axis=1)).tolist()
    return [scores[start:stop] for start, stop in zip([0, *ends], ends, strict=False)]


def _in_bands(
    spectrum_a: np.ndarray,
    spectrum_b: np.ndarray,
    n: int,
    noise_a: float | np.ndarray,
    noise_b: float | np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Cross power, both powers, and which bands stand above the noise of both.

    All of shape (..., n_bands); at least two edges.
    """
    edges, noise, _ = _bands(n)
    bins, begins = slice(edges[0], edges[-1]), edges[:-1] - edges[0]
    a, b = spectrum_a[..., bins], spectrum_b[..., bins]
    power_a = np.add.reduceat(power_of(a), begins, axis=-1)
    power_b = np.add.reduceat(power_of(b), begins, axis=-1)
    cross = np.add.reduceat(a * np.conj(b), begins, axis=-1)
    floor = 10 ** (-CELL_RANGE_DB / 10)
    heard = (power_a > noise * noise_a) & (power_b > noise * noise_b)
    heard &= power_a > floor * power_a.max(axis=-1, keepdims=True)
    heard &= power_b > floor * power_b.max(axis=-1, keepdims=True)
    return cross, power_a, power_b, heard


def score_spectra(
    spectrum_a: np.ndarray, spectrum_b: np.ndarray, n: int, noise_a: float, noise_b: float
) -> Cells:
    """Score in dB each band of a segment that stands above noise in both.

    Parameters
    ----------
    spectrum_a, spectrum_b : np.ndarray, `tapered_spectrum` of both sides
    n : int, samples of the segment
    noise_a, noise_b : float, variance a sample

    Returns
    -------
    Cells
    """
    edges, _, hz = _bands(n)
    if len(edges) < 2:
        return Cells(*(np.zeros(0) for _ in Cells._fields))
    cross, power_a, power_b, heard = _in_bands(spectrum_a, spectrum_b, n, noise_a, noise_b)
    cross, power_a, power_b = cross[heard], power_a[heard], power_b[heard]
    both = power_a * power_b
    score_db, phased_db = _score_db(
        np.stack([power_of(cross), np.square(np.maximum(cross.real, 0.0))]) / both
    )
    return Cells(score_db, hz[heard], power_a, phased_db, 10.0 * np.log10(power_b / power_a))


def _score_db(coherence: np.ndarray) -> np.ndarray:
    return np.minimum(-10.0 * np.log10(np.maximum(1.0 - coherence, 1e-9)), MAX_CELL_DB)
