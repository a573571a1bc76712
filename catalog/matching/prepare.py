"""Prepare one channel of a hit for comparison: mono, one rate, pre-emphasis, noise estimate.

The helpers at the end batch inputs of equal size, so that numpy processes many in one call.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

import numpy as np

from catalog.audio.model import PCM_BITS, Audio
from catalog.features.embedding.spectrogram import SR, prepare_mono
from catalog.features.envelope import block_variance
from catalog.features.onset import find_stroke
from catalog.features.waveform import abs_peak, mix_to_mono

COMPARE_S = 0.8  # from the onset; later parts are low and tonal, and similar even in other strokes
PRE_EMPHASIS = 0.95  # raises the high bands, where strokes differ most
MAX_LAG_S = 0.05
MARGIN = 512  # samples before the onset; a signal with a trimmed start can be shifted into them
LAG_SAMPLES, LAG_FFT = 16_384, 18_816  # 0.37 s suffice to align; the rest is for lags
SHORT_LAG_SAMPLES, SHORT_LAG_FFT = 4_050, 6_300  # the same where both hits are short
CUT_ONSET_S = 0.0005  # an earlier onset means that the start of the stroke was cut off
FADE_IN = np.linspace(0.0, 1.0, 32, dtype=np.float32)  # 0.7 ms, over the click of a cut start
NOISE_BLOCK_S = 0.02
Key = TypeVar("Key", bound=Hashable)


class WhitenedSpectrum(NamedTuple):
    """Half-whitened spectrum, complex64, shape (n_fft // 2 + 1,), and its Euclidean norm."""

    spectrum: np.ndarray
    norm: float


@dataclass(frozen=True, eq=False)
class PreparedSignal:
    """One channel of a hit, ready to be compared."""

    samples: np.ndarray  # float32, at 44.1 kHz, pre-emphasized, the onset at `MARGIN`
    first: int  # index of the first sample that comes from the file; earlier ones are padding
    noise: float  # noise variance of a sample
    is_cut: bool  # whether the file begins within the stroke
    scale: float = 1.0  # peak of the recording, full scale 1.0; the samples are divided by it
    onset_s: float = 0.0  # onset, from the start of its region of the file
    _whitened: dict[int, WhitenedSpectrum] = field(default_factory=dict, init=False, repr=False)

    @property
    def lag_fft(self) -> int:
        """FFT length for the search of the lag, in samples; it covers lags up to `MAX_LAG_S`."""
        return SHORT_LAG_FFT if len(self.samples) <= SHORT_LAG_SAMPLES else LAG_FFT


def whiten_spectra(signals: Sequence[PreparedSignal], n_fft: int) -> list[WhitenedSpectrum]:
    """Divide spectra by the root of their magnitude; the results are cached in the signals.

    The first `LAG_SAMPLES` are used. The magnitude of the cross-spectrum of two such spectra is the
    square root of the unweighted one, halfway between plain cross-correlation and the phase
    transform (PHAT).
    """
    from scipy.fft import rfft

    missing = list({id(s): s for s in signals if n_fft not in s._whitened}.values())
    if missing:
        spectra = rfft(stack_padded([s.samples[:LAG_SAMPLES] for s in missing], n_fft), axis=1)
        spectra /= np.sqrt(np.abs(spectra)) + np.float32(1e-9)
        for signal, spectrum in zip(missing, spectra, strict=True):
            norm = math.sqrt(float(np.vdot(spectrum, spectrum).real))
            signal._whitened[n_fft] = WhitenedSpectrum(spectrum.copy(), norm)
    return [signal._whitened[n_fft] for signal in signals]


def prepare_hit(audio: Audio) -> PreparedSignal:
    """Prepare the mono mix of a hit; see `prepare_channel`.

    Raise `ParameterError` if it holds no stroke.
    """
    return prepare_channel(mix_to_mono(audio.samples), sr=audio.sr, subtype=audio.subtype)


def prepare_channel(mono: np.ndarray, *, sr: int, subtype: str) -> PreparedSignal:
    """Cut one channel around its onset, resample, pre-emphasize and estimate its noise.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz
    subtype : str, sample format as libsndfile names it, such as "PCM_16"

    Raise `ParameterError` if it holds no stroke.
    """
    onset = find_stroke(mono, sr=sr).onset
    margin = round(MARGIN * sr / SR)
    padding = max(0, margin - onset)
    part = np.concatenate([np.zeros(padding, np.float32), mono[max(0, onset - margin) :]])
    part = part[: round((COMPARE_S + MAX_LAG_S) * sr) + margin]
    y = preemphasize(prepare_mono(part, sr=sr, start=0))
    peak = abs_peak(part)
    first = round(padding * SR / sr)
    is_cut = onset <= round(CUT_ONSET_S * sr)
    if is_cut:  # fade in over the click of the cut, which other copies do not have
        edge = y[first : first + len(FADE_IN)]
        edge *= FADE_IN[: len(edge)]
        first += len(FADE_IN)
    noise = max(_lowest_variance(y), _rounding_variance(subtype, peak))
    return PreparedSignal(y, first, noise, is_cut, peak, onset / sr)


def preemphasize(y: np.ndarray) -> np.ndarray:
    """Apply the pre-emphasis filter y[n] - `PRE_EMPHASIS` * y[n - 1]; dtype of `y`, shape (n,)."""
    out = y.copy()
    out[1:] -= PRE_EMPHASIS * y[:-1]
    return out


def _lowest_variance(y: np.ndarray) -> float:
    """Return the variance of the quietest block that is not digital silence."""
    variances = block_variance(y, round(NOISE_BLOCK_S * SR))
    return float(variances.min()) if len(variances) > 1 else 0.0


def _rounding_variance(subtype: str, peak: float) -> float:
    """Return the variance of rounding to integers, after division by the peak and pre-emphasis."""
    bits = PCM_BITS.get(subtype, 0)
    if not bits:
        return 0.0
    return (2.0 ** (1 - bits) / peak) ** 2 / 12.0 * (1.0 + PRE_EMPHASIS**2)


def group_indices(keys: Iterable[Key], max_size: int) -> Iterator[tuple[Key, list[int]]]:
    """Group the indices of equal keys into batches of at most `max_size`.

    Each index is in one batch, and the indices of a key stay in order.
    """
    indices: dict[Key, list[int]] = {}
    for index, key in enumerate(keys):
        indices.setdefault(key, []).append(index)
    for key, members in indices.items():
        for start in range(0, len(members), max_size):
            yield key, members[start : start + max_size]


def stack_padded(signals: Sequence[np.ndarray], n: int) -> np.ndarray:
    """Stack signals as rows, cut or zero-padded to `n`; float32, shape (n_signals, n)."""
    rows = np.zeros((len(signals), n), np.float32)
    for row, signal in zip(rows, signals, strict=True):
        row[: len(signal)] = signal[:n]
    return rows
