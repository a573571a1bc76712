"""Fingerprints: 3 kB per channel that rule out most pairs of different recordings.

A fingerprint is the half-whitened spectrum of the first 93 ms below 11 kHz in 8-bit numbers. The
highest cross-correlation of two of them is near 1 for copies, edited ones too, and mostly below 0.5
for other strokes of the same drum. A pair takes 40 us when many are compared at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from catalog.features.embedding.spectrogram import SR
from catalog.matching.prepare import MARGIN, MAX_LAG_S, PreparedSignal, stack_padded

FINGERPRINT_SAMPLES, FINGERPRINT_FFT = 4096, 6300  # at SR; the rest of the FFT holds the lags
HALF_FFT = FINGERPRINT_FFT // 2
N_BINS = HALF_FFT // 2 + 1  # bins below a quarter of SR
N_LAGS = round(MAX_LAG_S * SR / 2)  # at half of SR, in each direction
STEP = 8  # samples at half of SR between two stored values of the cumulative energy
N_STEPS = (MARGIN // 2 + N_LAGS) // STEP + 4
NOISE_WEIGHT = 10.0  # a bin with so many times the energy of the noise counts half
MIN_OVERLAP = 0.05  # of the energy of a signal; lower bound of the normalization
LONG_SAMPLES = 1_200  # at SR, 16 ms after the onset
SHORT_GAIN = 2.0  # copies of shorter hits that were cut at either end have half the correlation
HITS_AT_ONCE = 32  # computing a fingerprint takes 100 kB
PAIRS_AT_ONCE = 256  # a correlation takes 50 kB


@dataclass(frozen=True, eq=False)
class Fingerprints:
    """Fingerprints of n channels."""

    spectra: np.ndarray  # int8, shape (n, N_BINS, 2), real and imaginary part
    energy: np.ndarray  # float32, shape (n, N_STEPS), share of the energy before each `STEP`
    power: np.ndarray  # float32, shape (n,), total energy, in units of `spectra`
    first: np.ndarray  # int16, shape (n,), first sample that comes from the file, at half of SR
    is_long: np.ndarray  # bool, shape (n,), whether the hit has `LONG_SAMPLES`

    def __len__(self) -> int:
        """Return the number of fingerprints."""
        return len(self.first)

    def take(self, rows: np.ndarray | slice) -> Fingerprints:
        """Return a selection of rows."""
        return Fingerprints(*(getattr(self, field.name)[rows] for field in fields(self)))

    @classmethod
    def join(cls, parts: Sequence[Fingerprints]) -> Fingerprints:
        """Concatenate one or more sets."""
        columns = ([getattr(part, f.name) for part in parts] for f in fields(cls))
        return cls(*(np.concatenate(column) for column in columns))


def make_fingerprints(signals: Sequence[PreparedSignal]) -> Fingerprints:
    """Compute the fingerprint of each of one or more hits, or of their channels."""
    starts = range(0, len(signals), HITS_AT_ONCE)
    return Fingerprints.join([_make_batch(signals[at : at + HITS_AT_ONCE]) for at in starts])


def _make_batch(signals: Sequence[PreparedSignal]) -> Fingerprints:
    spectra = _quantize(_whiten_above_noise(signals))
    energy, power = _cumulative_energy(spectra)
    return Fingerprints(
        spectra,
        energy,
        power,
        np.array([signal.first // 2 for signal in signals], np.int16),
        np.array([len(signal.samples) >= LONG_SAMPLES for signal in signals]),
    )


def _whiten_above_noise(signals: Sequence[PreparedSignal]) -> np.ndarray:
    """Half-whiten the spectra, with a Wiener-like weight that fades out bins near the noise."""
    from scipy.fft import rfft

    heads = [signal.samples[:FINGERPRINT_SAMPLES] for signal in signals]
    spectra = rfft(stack_padded(heads, FINGERPRINT_FFT), axis=1)[:, :N_BINS]
    noise = [
        NOISE_WEIGHT * len(head) * signal.noise + 1e-12
        for head, signal in zip(heads, signals, strict=True)
    ]
    size = np.abs(spectra)
    spectra *= size * np.sqrt(size) / (size * size + np.array(noise, np.float32)[:, None])
    return np.asarray(spectra)


def _quantize(spectra: np.ndarray) -> np.ndarray:
    """Round to 8 bits with the largest value of each row at 127; int8, shape (n, N_BINS, 2)."""
    parts = spectra.view(np.float32)
    largest = np.abs(parts).max(axis=1, keepdims=True)
    parts *= 127.0 / np.where(largest > 0, largest, np.inf)
    return np.rint(parts).astype(np.int8).reshape(len(spectra), N_BINS, 2)


def _cumulative_energy(spectra: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the share of the energy before each step, and the total energy; float32."""
    from scipy.fft import irfft

    energy = np.cumsum(np.square(irfft(_as_complex(spectra), HALF_FFT, axis=1)), axis=1)
    power = np.maximum(energy[:, -1], 1e-12)
    share = np.zeros((len(spectra), N_STEPS), np.float32)
    share[:, 1:] = energy[:, STEP - 1 : (N_STEPS - 1) * STEP : STEP] / power[:, None]
    return share, power.astype(np.float32)


def _as_complex(spectra: np.ndarray) -> np.ndarray:
    return spectra.astype(np.float32).view(np.complex64)[..., 0]


def correlate_fingerprints(
    fingerprints: Fingerprints, first: np.ndarray, second: np.ndarray
) -> np.ndarray:
    """Return the highest cross-correlation of each pair of rows within `MAX_LAG_S`.

    At each lag it is normalized by the energy of the part that both files contain: the magnitude,
    float32, shape (n_pairs,), is near 1 for one recording. It is multiplied by `SHORT_GAIN` for
    short hits.
    """
    blocks = [slice(at, at + PAIRS_AT_ONCE) for at in range(0, len(first), PAIRS_AT_ONCE)]
    parts = [_correlate_batch(*map(fingerprints.take, (first[b], second[b]))) for b in blocks]
    correlation = np.concatenate(parts) if parts else np.zeros(0, np.float32)
    is_long = fingerprints.is_long[first] & fingerprints.is_long[second]
    return np.where(is_long, correlation, np.float32(SHORT_GAIN) * correlation)


def _correlate_batch(first: Fingerprints, second: Fingerprints) -> np.ndarray:
    from scipy.fft import irfft

    cross_spectra = np.conj(_as_complex(first.spectra)) * _as_complex(second.spectra)
    correlation = irfft(cross_spectra, HALF_FFT, axis=1)
    n = N_LAGS // STEP * STEP
    second_later, first_later = correlation[:, :n], correlation[:, : -n - 1 : -1]
    return np.maximum(
        _peak_correlation(second_later, first, second),
        _peak_correlation(first_later, second, first),
    )


def _peak_correlation(
    correlation: np.ndarray, first: Fingerprints, second: Fingerprints
) -> np.ndarray:
    """Return the highest normalized value; column k has the second k samples later."""
    n_blocks = correlation.shape[1] // STEP
    lag = np.arange(n_blocks)
    lost_second = _energy_before(second, first.first[:, None] // STEP + lag)
    lost_first = _energy_before(first, second.first[:, None] // STEP - lag)
    overlap = np.maximum(1.0 - lost_first, MIN_OVERLAP) * np.maximum(1.0 - lost_second, MIN_OVERLAP)
    blocks = np.abs(correlation).reshape(len(correlation), n_blocks, STEP)
    blocks /= np.sqrt(overlap).astype(np.float32)[:, :, None]
    peak = blocks.reshape(len(correlation), -1).max(axis=1)
    norm = np.sqrt(first.power * second.power)
    return np.asarray(np.minimum(peak / norm, 1.0), np.float32)


def _energy_before(fingerprints: Fingerprints, step: np.ndarray) -> np.ndarray:
    """Return the share of energy before the given steps, one row per fingerprint."""
    return np.take_along_axis(fingerprints.energy, np.clip(step, 0, N_STEPS - 1), axis=1)
