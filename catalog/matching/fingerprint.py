"""A sketch of a hit: 3 kB from which it is plain of most pairs that they are not one recording.

A sketch holds the first 93 ms below 11 kHz as a half-whitened spectrum, each number in one byte.
The highest correlation of two of them is near 1 for copies, edited ones too, and mostly below a
half for other strokes of the same drum. Many pairs are asked at once, some 40 us each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from catalog.features.spectrogram import SR
from catalog.matching.prepare import MARGIN, MAX_LAG_S, Prepared, rows_of

SKETCH_SAMPLES, SKETCH_FFT = 4096, 6300  # at SR; the rest of the FFT is room for the lags
HALF_FFT = SKETCH_FFT // 2
N_BINS = HALF_FFT // 2 + 1  # those below a quarter of SR
N_LAGS = round(MAX_LAG_S * SR / 2)  # at half of SR, each way
STEP = 8  # samples at half of SR between two energies that are kept
N_STEPS = (MARGIN // 2 + N_LAGS) // STEP + 4
NOISE_LIFT = 10.0  # bins of so many times the noise count half
MIN_HELD = 0.05  # of the energy of a side; what both hold is not taken for less
LONG_SAMPLES = 1_200  # at SR, 16 ms after the onset
SHORT_LIFT = 2.0  # copies of shorter hits, cut at either end, have half of the correlation
HITS_AT_ONCE = 32  # a hit takes 100 kB while it is sketched
PAIRS_AT_ONCE = 256  # a pair takes 50 kB while it is asked


@dataclass(frozen=True, eq=False)
class Sketches:
    """Sketches of n hits, or of n channels.

    Attributes
    ----------
    spectra : np.ndarray, int8, shape (n, N_BINS, 2), real and imaginary part
    energy : np.ndarray, float32, shape (n, N_STEPS)
        share of the energy that lies before each `STEP`
    power : np.ndarray, float32, shape (n,), the whole energy, in units of `spectra`
    first : np.ndarray, int16, shape (n,), the first sample that the file holds, at half of SR
    is_long : np.ndarray, bool, shape (n,), whether it has `LONG_SAMPLES`
    """

    spectra: np.ndarray
    energy: np.ndarray
    power: np.ndarray
    first: np.ndarray
    is_long: np.ndarray

    def __len__(self) -> int:
        """Give n."""
        return len(self.first)

    def take(self, rows: np.ndarray | slice) -> Sketches:
        """Give some of them."""
        return Sketches(*(getattr(self, field.name)[rows] for field in fields(self)))

    @classmethod
    def join(cls, parts: Sequence[Sketches]) -> Sketches:
        """Put several one after the other; at least one."""
        columns = ([getattr(part, f.name) for part in parts] for f in fields(cls))
        return cls(*(np.concatenate(column) for column in columns))


def sketch_hits(hits: Sequence[Prepared]) -> Sketches:
    """Sketch hits, or channels of them.

    Parameters
    ----------
    hits : sequence of Prepared, at least one

    Returns
    -------
    Sketches, one a hit
    """
    blocks = [hits[at : at + HITS_AT_ONCE] for at in range(0, len(hits), HITS_AT_ONCE)]
    return Sketches.join([_sketch(block) for block in blocks])


def _sketch(hits: Sequence[Prepared]) -> Sketches:
    from scipy.fft import irfft, rfft

    sounds = [hit.samples[:SKETCH_SAMPLES] for hit in hits]
    spectra = rfft(rows_of(sounds, SKETCH_FFT), axis=1)[:, :N_BINS]
    noise = [NOISE_LIFT * len(y) * hit.noise + 1e-12 for y, hit in zip(sounds, hits, strict=True)]
    size = np.abs(spectra)
    spectra *= size * np.sqrt(size) / (size * size + np.array(noise, np.float32)[:, None])
    parts = spectra.view(np.float32)
    most = np.abs(parts).max(axis=1, keepdims=True)
    parts *= 127.0 / np.where(most > 0, most, np.inf)
    rounded = np.rint(parts).astype(np.int8).reshape(len(hits), N_BINS, 2)
    before = np.cumsum(np.square(irfft(_as_complex(rounded), HALF_FFT, axis=1)), axis=1)
    power = np.maximum(before[:, -1], 1e-12)
    share = np.zeros((len(hits), N_STEPS), np.float32)
    share[:, 1:] = before[:, STEP - 1 : (N_STEPS - 1) * STEP : STEP] / power[:, None]
    return Sketches(
        rounded,
        share,
        power.astype(np.float32),
        np.array([hit.first // 2 for hit in hits], np.int16),
        np.array([len(hit.samples) >= LONG_SAMPLES for hit in hits]),
    )


def _as_complex(spectra: np.ndarray) -> np.ndarray:
    return spectra.astype(np.float32).view(np.complex64)[..., 0]


def correlate_sketches(sketches: Sketches, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Highest correlation of each pair within `MAX_LAG_S`, over what both hold at that lag.

    Parameters
    ----------
    sketches : Sketches
    first, second : np.ndarray, int, shape (n_pairs,), rows of `sketches`

    Returns
    -------
    np.ndarray, float32, shape (n_pairs,)
        near 1 for one recording, sign-free; of short hits `SHORT_LIFT` times as much
    """
    blocks = [slice(at, at + PAIRS_AT_ONCE) for at in range(0, len(first), PAIRS_AT_ONCE)]
    found = [_correlate(*map(sketches.take, (first[b], second[b]))) for b in blocks]
    alike = np.concatenate(found) if found else np.zeros(0, np.float32)
    is_long = sketches.is_long[first] & sketches.is_long[second]
    return np.where(is_long, alike, np.float32(SHORT_LIFT) * alike)


def _correlate(first: Sketches, second: Sketches) -> np.ndarray:
    from scipy.fft import irfft

    product = np.conj(_as_complex(first.spectra)) * _as_complex(second.spectra)
    along = irfft(product, HALF_FFT, axis=1)
    n = N_LAGS // STEP * STEP
    later, sooner = along[:, :n], along[:, : -n - 1 : -1]
    return np.maximum(_highest(later, first, second), _highest(sooner, second, first))


def _highest(along: np.ndarray, first: Sketches, second: Sketches) -> np.ndarray:
    """Highest correlation where the second lies later by as many samples as there are columns."""
    n_blocks = along.shape[1] // STEP
    lag = np.arange(n_blocks)
    lost_second = _energy_before(second, first.first[:, None] // STEP + lag)
    lost_first = _energy_before(first, second.first[:, None] // STEP - lag)
    held = np.maximum(1.0 - lost_first, MIN_HELD) * np.maximum(1.0 - lost_second, MIN_HELD)
    blocks = np.abs(along).reshape(len(along), n_blocks, STEP)
    blocks /= np.sqrt(held).astype(np.float32)[:, :, None]
    top = blocks.reshape(len(along), -1).max(axis=1)
    whole = np.sqrt(first.power * second.power)
    return np.asarray(np.minimum(top / whole, 1.0), np.float32)


def _energy_before(side: Sketches, step: np.ndarray) -> np.ndarray:
    """Share of a side's energy that lies before some steps."""
    return np.take_along_axis(side.energy, np.clip(step, 0, N_STEPS - 1), axis=1)
