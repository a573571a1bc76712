"""A hit made ready to be compared: mono, at one rate, the highs lifted, its noise known."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

import numpy as np

from catalog.audio.encode import PCM_BITS
from catalog.audio.model import Audio
from catalog.features.envelope import block_variance
from catalog.features.onset import find_stroke, highest, mix_to_mono
from catalog.features.spectrogram import SR, prepare_mono

COMPARE_S = 0.8  # from the onset; what rings later is low and tonal, where strokes agree too


PRE_EMPHASIS = 0.95  # lifts the high cells, where strokes differ most


MAX_LAG_S = 0.05


LAG_SAMPLES, LAG_FFT = 16_384, 18_816  # 0.37 s are enough to align by; the rest is for the reach


SHORT_LAG_SAMPLES, SHORT_LAG_FFT = 4_050, 6_300  # the same for two hits that are both short


EDGE = 32  # samples faded in where a file begins within the stroke, 0.7 ms


CUT_S = 0.0005  # an onset so early was cut


RISE = np.linspace(0.0, 1.0, EDGE, dtype=np.float32)


MARGIN = 512  # samples before the found onset, so that a trimmed start can be slid over


class Whitened(NamedTuple):
    """A half-whitened spectrum, complex64, shape (n_fft // 2 + 1,), and its norm."""

    spectrum: np.ndarray
    size: float


@dataclass(frozen=True, eq=False)
class Prepared:
    """A hit ready to be compared.

    Attributes
    ----------
    samples : np.ndarray, float32, at 44.1 kHz, the onset at `MARGIN`
    first : int, the first sample that the file really holds; before it is padding
    noise : float, variance a sample of what is not the stroke
    is_cut : bool, whether the file begins within the stroke
    scale : float, peak of the recording, full scale 1.0; the samples are divided by it
    onset_s : float, where the stroke begins in its region of the file
    """

    samples: np.ndarray
    first: int
    noise: float
    is_cut: bool
    scale: float = 1.0
    onset_s: float = 0.0
    _whitened: dict[int, Whitened] = field(default_factory=dict, init=False, repr=False)

    @property
    def lag_fft(self) -> int:
        """Length of the transform that lags are found by, with room for the reach."""
        return SHORT_LAG_FFT if len(self.samples) <= SHORT_LAG_SAMPLES else LAG_FFT


def whiten(hits: Sequence[Prepared], n_fft: int) -> list[Whitened]:
    """Half-whitened spectra of the first `LAG_SAMPLES`, filled up to `n_fft`; they are kept.

    A product of two has the root of the magnitude of theirs.

    Parameters
    ----------
    hits : sequence of Prepared
    n_fft : int, samples

    Returns
    -------
    list of Whitened, one a hit
    """
    from scipy.fft import rfft

    missing = list({id(hit): hit for hit in hits if n_fft not in hit._whitened}.values())
    if missing:
        spectra = rfft(rows_of([hit.samples[:LAG_SAMPLES] for hit in missing], n_fft), axis=1)
        spectra /= np.sqrt(np.abs(spectra)) + np.float32(1e-9)
        for hit, spectrum in zip(missing, spectra, strict=True):
            size = math.sqrt(float(np.vdot(spectrum, spectrum).real))
            hit._whitened[n_fft] = Whitened(spectrum.copy(), size)
    return [hit._whitened[n_fft] for hit in hits]


def prepare_hit(audio: Audio) -> Prepared:
    """Mix, bring to one rate, emphasise the highs, estimate the noise.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    Prepared

    Raises
    ------
    ParameterError
        if it holds no stroke
    """
    return prepare_mono_hit(mix_to_mono(audio.samples), sr=audio.sr, subtype=audio.subtype)


def prepare_mono_hit(mono: np.ndarray, *, sr: int, subtype: str) -> Prepared:
    """Make one channel ready to be compared; see `prepare_hit`.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz
    subtype : str, as libsndfile names it

    Returns
    -------
    Prepared

    Raises
    ------
    ParameterError
        if it holds no stroke
    """
    onset = find_stroke(mono, sr=sr).onset
    margin = round(MARGIN * sr / SR)
    missing = max(0, margin - onset)
    part = np.concatenate([np.zeros(missing, np.float32), mono[max(0, onset - margin) :]])
    part = part[: round((COMPARE_S + MAX_LAG_S) * sr) + margin]
    y = prepare_mono(part, sr=sr, start=0)
    peak = highest(part)
    y = emphasised(y)
    first = round(missing * SR / sr)
    is_cut = onset <= round(CUT_S * sr)
    if is_cut:  # it begins with a click that is in no other copy
        edge = y[first : first + EDGE]
        edge *= RISE[: len(edge)]
        first += EDGE
    noise = max(_quietest(y), _rounding_noise(subtype, peak))
    return Prepared(y, first, noise, is_cut, peak, onset / sr)


def emphasised(y: np.ndarray) -> np.ndarray:
    """Lift the highs by `PRE_EMPHASIS`; of the type of `y`, shape (n,)."""
    out = y.copy()
    out[1:] -= PRE_EMPHASIS * y[:-1]
    return out


def _quietest(y: np.ndarray) -> float:
    """Variance of the quietest 20 ms that are not digital silence."""
    heard = block_variance(y, round(0.02 * SR))
    return float(heard.min()) if len(heard) > 1 else 0.0


def _rounding_noise(subtype: str, peak: float) -> float:
    """Variance that rounding to integers leaves, after scaling to the peak and the emphasis."""
    bits = PCM_BITS.get(subtype, 0)
    if not bits:
        return 0.0
    return (2.0 ** (1 - bits) / peak) ** 2 / 12.0 * (1.0 + PRE_EMPHASIS**2)


Kind = TypeVar("Kind", bound=Hashable)


def batches(kinds: Iterable[Kind], most: int) -> Iterator[tuple[Kind, list[int]]]:
    """Gather the places of equal kinds, `most` at once at the most.

    Parameters
    ----------
    kinds : iterable of hashable
    most : int, above 0

    Yields
    ------
    (kind, list of int), each place once, those of a kind in order
    """
    places: dict[Kind, list[int]] = {}
    for place, kind in enumerate(kinds):
        places.setdefault(kind, []).append(place)
    for kind, found in places.items():
        for at in range(0, len(found), most):
            yield kind, found[at : at + most]


def rows_of(sounds: Sequence[np.ndarray], n: int) -> np.ndarray:
    """Lay sounds one below the other, filled up with zeros; float32, shape (n_sounds, n)."""
    rows = np.zeros((len(sounds), n), np.float32)
    for row, sound in zip(rows, sounds, strict=True):
        row[: len(sound)] = sound[:n]
    return rows
