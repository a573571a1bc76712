"""Are two hits one recording? Samples are aligned and compared cell by cell in time and frequency.

A copy that was changed in gain, polarity, length, rate or width leaves almost nothing of itself
behind in any cell; another stroke of the same drum leaves most of itself in many of them. One
correlation over the whole band cannot tell them apart: two strokes of a kick reach 0.99.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from catalog.sound.decode import PCM_BITS, Audio
from catalog.sound.envelopes import block_variance
from catalog.sound.picture import SR, prepare_mono
from catalog.sound.segments import (
    EARLY_SEGMENTS,
    MAX_CELL_DB,
    SEGMENTS_MS,
    scores_db,
    segment_parts,
)
from catalog.sound.strokes import find_stroke, highest, mix_to_mono

COMPARE_S = 0.8  # from the onset; what rings later is low and tonal, where strokes agree too
PRE_EMPHASIS = 0.95  # lifts the high cells, where strokes differ most
MAX_LAG_S = 0.05
LAG_SAMPLES, LAG_FFT = 16_384, 18_816  # 0.37 s are enough to align by; the rest is for the reach
SHORT_LAG_SAMPLES, SHORT_LAG_FFT = 4_050, 6_300  # the same for two hits that are both short
EDGE = 32  # samples faded in where a file begins within the stroke, 0.7 ms
CUT_S = 0.0005  # an onset so early was cut
N_LAGS = 4  # peaks tried where a start was cut: a low tone agrees with itself a period later
LAG_SHARE = 0.4  # of the highest peak; lower ones are not tried
HEAD_CELLS = 4  # of the first segment tell which of them it is
SURE_DB = 20.0  # the first lag that gives this much is taken
MARGIN = 512  # samples before the found onset, so that a trimmed start can be slid over
HOPELESS_AFTER = 1  # the second segment: nine in ten pairs of strokes are told apart by then
HOPELESS_CELLS, HOPELESS_DB = 8, 5.0  # copies packed at low rates have 8 dB and more
WHOLE_FROM_DB = 10.0  # over so many cells; below it the whole band says nothing else
WHOLE_FROM_PEAK = 0.3  # of the correlation, as the judge's `POOR_PEAK`; below it, nor then
MIN_OVERLAP = 64  # samples that both must hold
MIN_CELLS = 20  # fewer are little to judge: dull hits, whose low cells agree between strokes too


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

    def whitened(self, n_fft: int) -> Whitened:
        """Half-whitened spectrum of the first `LAG_SAMPLES`, filled up to `n_fft`; kept."""
        if n_fft not in self._whitened:
            self._whitened[n_fft] = _half_whitened(self.samples, n_fft)
        return self._whitened[n_fft]


@dataclass(frozen=True)
class Agreement:
    """How far two recordings agree.

    Attributes
    ----------
    score_db : float
        mean over cells of what one leaves of the other, as -10 log10(1 - coherence)
    late_db : float
        the same after the first 20 ms; NaN if nothing is left there
    n_cells : int
        cells that stand above the noise of both; below `MIN_CELLS` there is too little to judge
    whole_db : float
        the same over the whole band at once, asked where cells are few and agree; NaN elsewhere
    lag_s : float
        how much later the second lies than the onsets found tell
    peak : float
        highest partly whitened correlation, 0 to 1
    """

    score_db: float
    late_db: float
    n_cells: int
    lag_s: float
    whole_db: float = float("nan")
    peak: float = float("nan")


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
        y[first : first + EDGE] *= np.linspace(0.0, 1.0, len(y[first : first + EDGE]))
        first += EDGE
    noise = max(_quietest(y), _rounding_noise(subtype, peak))
    return Prepared(y, first, noise, is_cut, peak, onset / sr)


def emphasised(y: np.ndarray) -> np.ndarray:
    """Lift the highs by `PRE_EMPHASIS`; of the type of `y`, shape (n,)."""
    out = y.copy()
    out[1:] -= PRE_EMPHASIS * y[:-1]
    return out


def _half_whitened(y: np.ndarray, n_fft: int) -> Whitened:
    """Spectrum with the root of its magnitude: a product of two has the root of theirs."""
    from scipy.fft import rfft

    spectrum = rfft(y[:LAG_SAMPLES], n_fft)
    spectrum /= np.sqrt(np.abs(spectrum)) + np.float32(1e-9)
    return Whitened(spectrum, math.sqrt(float(np.vdot(spectrum, spectrum).real)))


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


class Pair(NamedTuple):
    """Two sides cut to what both hold, with their noise; emphasised, shape (n,) each."""

    a: np.ndarray
    b: np.ndarray
    noise_a: float
    noise_b: float


def cut_pair(first: Prepared, second: Prepared, lag: int) -> Pair:
    """Cut two hits to the samples that both hold.

    Parameters
    ----------
    first, second : Prepared
    lag : int, samples by which the second lies later

    Returns
    -------
    Pair
    """
    skip_a, skip_b = max(0, -lag), max(0, lag)
    a, b = first.samples[skip_a:], second.samples[skip_b:]
    # both hold real samples from here on, and the stroke of the earlier one has begun
    begin = max(first.first - skip_a, second.first - skip_b, MARGIN - max(skip_a, skip_b), 0)
    n = max(begin, min(len(a), len(b)))
    return Pair(a[begin:n], b[begin:n], first.noise, second.noise)


def compare_hits(first: Prepared, second: Prepared) -> Agreement:
    """Align two hits and measure cell by cell how much of one is in the other.

    Gain and polarity do not matter; everything is normalised over what both hold.

    Parameters
    ----------
    first, second : Prepared

    Returns
    -------
    Agreement
    """
    best = None
    lags, peak = _lags_and_peak(first, second)
    if not (first.is_cut or second.is_cut):
        lags = lags[:1]
    pairs = [cut_pair(first, second, round(lag)) for lag in lags]
    for at in _likeliest(pairs, lags):
        found = _compare_at(pairs[at], lags[at], may_be_whole=peak >= WHOLE_FROM_PEAK)
        if best is None or _rank(found) > _rank(best):
            best = found
        if max(_rank(best)) >= SURE_DB:
            break
    return replace(best or Agreement(0.0, math.nan, 0, 0.0), peak=peak)


def _rank(agreement: Agreement) -> tuple[float, float]:
    whole_db = agreement.whole_db
    return (agreement.score_db, 0.0 if math.isnan(whole_db) else whole_db)


def _fraction(lag: float) -> float:
    """Part of a sample by which the second side is late once whole samples are cut away."""
    return lag - round(lag)


def _likeliest(pairs: Sequence[Pair], lags: Sequence[float]) -> list[int]:
    """The lag that explains the first segment best, and the first of all, by their rows.

    All where that segment holds few cells at any. The first lag is the highest of the correlation;
    a driven copy can have a better first segment elsewhere.
    """
    first = slice(0, round(SEGMENTS_MS[0][1] * SR / 1000))
    if len(lags) < 2 or min(len(pair.a) for pair in pairs) < first.stop:
        return list(range(len(lags)))
    a, b = np.stack([pair.a[first] for pair in pairs]), np.stack([pair.b[first] for pair in pairs])
    fractions = np.array([[_fraction(lag)] for lag in lags], np.float32)
    heads = scores_db(a, b, fractions, pairs[0].noise_a, pairs[0].noise_b)
    if min(map(len, heads)) < HEAD_CELLS:
        return list(range(len(lags)))
    means = [float(scores.mean()) for scores in heads]
    return sorted({means.index(max(means)), 0})


def _compare_at(pair: Pair, lag: float, *, may_be_whole: bool) -> Agreement:
    """Compare at one lag; the whole band is left out where it says nothing else."""
    values, is_late, hopeless = [], [], False
    fraction = np.float32(_fraction(lag))
    for number, part in enumerate(segment_parts(len(pair.a))):
        (cells,) = scores_db(pair.a[part], pair.b[part], fraction, pair.noise_a, pair.noise_b)
        values.append(cells)
        is_late.append(np.full(len(cells), number >= EARLY_SEGMENTS))
        if number == HOPELESS_AFTER and (hopeless := _is_hopeless(values)):
            break
    scores = np.concatenate(values) if values else np.zeros(0)
    late = scores[np.concatenate(is_late)] if values else scores
    mean = float(scores.mean()) if len(scores) else 0.0
    is_told = hopeless or (len(scores) >= HOPELESS_CELLS and mean < WHOLE_FROM_DB)
    asks_whole = len(scores) < MIN_CELLS and not is_told and may_be_whole
    return Agreement(
        mean,
        float(late.mean()) if len(late) else math.nan,
        len(scores),
        lag / SR,
        _whole_score(pair.a, pair.b, _fraction(lag)) if asks_whole else math.nan,
    )


def _is_hopeless(values: list[np.ndarray]) -> bool:
    scores = np.concatenate(values)
    return len(scores) >= HOPELESS_CELLS and float(scores.mean()) < HOPELESS_DB


def _whole_score(a: np.ndarray, b: np.ndarray, fraction: float) -> float:
    """Score of the whole band and length, in dB; short and dull hits have nothing finer."""
    from scipy.fft import next_fast_len, rfft

    n = len(a)
    if n < MIN_OVERLAP:
        return 0.0
    n_fft = next_fast_len(n + 1, real=True) // 2 * 2
    spectrum_a, spectrum_b = rfft(a.astype(np.float64), n_fft), rfft(b.astype(np.float64), n_fft)
    turn = np.exp(2j * np.pi * np.arange(n_fft // 2 + 1) * fraction / n_fft)
    twice = np.full(n_fft // 2 + 1, 2.0)  # each bin but the first and last stands for two
    twice[[0, -1]] = 1.0
    common = float((twice * (spectrum_a * np.conj(spectrum_b * turn)).real).sum()) / n_fft
    a, b = a.astype(np.float64), b.astype(np.float64)
    energy = float(a @ a) * float(b @ b)
    common = common**2 / energy if energy > 0 else 0.0
    return min(-10.0 * math.log10(max(1.0 - common, 1e-9)), MAX_CELL_DB)


def find_lags(first: Prepared, second: Prepared) -> list[float]:
    """Samples by which the second may lie later: peaks of the partly whitened correlation.

    Parameters
    ----------
    first, second : Prepared

    Returns
    -------
    list of float, samples, interpolated, the highest peak first
        sign-free, so a turned polarity changes nothing; empty if one of them is silent
    """
    return _lags_and_peak(first, second)[0]


def _lags_and_peak(first: Prepared, second: Prepared) -> tuple[list[float], float]:
    """Lags, and the height of the highest peak where 1 is equal sound."""
    from scipy.fft import irfft

    reach = round(MAX_LAG_S * SR)
    n_fft = max(first.lag_fft, second.lag_fft)
    one, other = first.whitened(n_fft), second.whitened(n_fft)
    along = irfft(np.conj(one.spectrum) * other.spectrum, n_fft)
    along = np.abs(np.concatenate([along[-reach:], along[: reach + 1]]))
    inner = along[1:-1]
    peaks = 1 + np.flatnonzero((inner > along[:-2]) & (inner >= along[2:]))
    peaks = peaks[along[peaks] >= LAG_SHARE * along[peaks].max(initial=0.0)]
    peaks = peaks[np.argsort(-along[peaks], kind="stable")][:N_LAGS]
    lags = [float(at - reach + _vertex(*along[at - 1 : at + 2].tolist())) for at in peaks]
    most = 2.0 * one.size * other.size / n_fft
    return lags, float(along[peaks[0]]) / most if lags and most > 0 else 0.0


def _vertex(left: float, top: float, right: float) -> float:
    """Where the parabola through three points has its top, from the middle one."""
    bend = left - 2 * top + right
    return 0.5 * (left - right) / bend if bend < 0 else 0.0
