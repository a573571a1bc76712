"""Are two hits one recording? Samples are aligned and compared cell by cell in time and frequency.

A copy that was changed in gain, polarity, length, rate or width leaves almost nothing of itself
behind in any cell; another stroke of the same drum leaves most of itself in many of them. One
correlation over the whole band cannot tell them apart: two strokes of a kick reach 0.99.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from catalog.sound.decode import PCM_BITS, Audio
from catalog.sound.frames import power_of
from catalog.sound.picture import SR, prepare_mono
from catalog.sound.strokes import find_stroke, highest, mix_to_mono

COMPARE_S = 0.8  # from the onset; what rings later is low and tonal, where strokes agree too
PRE_EMPHASIS = 0.95  # lifts the high cells, where strokes differ most
MAX_LAG_S = 0.05
LAG_SAMPLES, LAG_FFT = 16_384, 18_816  # 0.37 s are enough to align by; the rest is for the reach
CONSTANT = 1e-6  # of the mean; what varies by less is silence with an offset
SHORT_LAG_SAMPLES, SHORT_LAG_FFT = 4_050, 6_300  # the same for two short hits
EDGE = 32  # samples faded in where a file begins within the stroke, 0.7 ms
CUT_S = 0.0005  # an onset so early was cut
N_LAGS = 4  # peaks tried where a start was cut: a low tone agrees with itself a period later
LAG_SHARE = 0.4  # of the highest peak; lower ones are not tried
HEAD_CELLS = 4  # of the first segment tell which of them it is
SURE_DB = 20.0  # the first lag that gives this much is taken
MARGIN = 512  # samples before the found onset, so that a trimmed start can be slid over
SEGMENTS_MS = ((0, 20), (20, 60), (60, 150), (150, 350), (350, 800))
EARLY_SEGMENTS = 1  # drum machines make the attack anew each time: agreement must go on after it
N_CELL_BANDS, CELL_RANGE_HZ = 12, (60.0, 16_000.0)
MIN_BINS = 4  # in a cell: coherence over fewer is high by chance
CELL_RANGE_DB = 60.0  # below the strongest cell nothing is judged
CELL_SNR_DB = 10.0  # a cell must stand this much above the noise of both sides
MAX_CELL_DB = 40.0  # 16-bit rounding alone leaves about this much behind
HOPELESS_AFTER = 1  # the second segment: nine in ten pairs of strokes are told apart by then
HOPELESS_CELLS, HOPELESS_DB = 8, 5.0  # copies packed at low rates have 8 dB and more
WHOLE_FROM_DB = 10.0  # over so many cells; below it the whole band says nothing else
WHOLE_FROM_PEAK = 0.3  # of the partly whitened correlation, nor then
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
    n = round(0.02 * SR)
    blocks = y[: len(y) // n * n].reshape(-1, n)
    mean = blocks @ np.full(n, 1.0 / n, blocks.dtype)
    centred = blocks - mean[:, None]
    power = np.einsum("ij,ij->i", centred, centred) / n
    heard = power[power > np.square(CONSTANT * mean)]
    return float(heard.min()) if len(heard) > 1 else 0.0


def _rounding_noise(subtype: str, peak: float) -> float:
    """Variance that rounding to integers leaves, after scaling to the peak and the emphasis."""
    bits = PCM_BITS.get(subtype, 0)
    if not bits:
        return 0.0
    return (2.0 ** (1 - bits) / peak) ** 2 / 12.0 * (1.0 + PRE_EMPHASIS**2)


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
    ways = [_Overlap.of(first, second, lag) for lag in lags]
    for way in _likely(ways) if first.is_cut or second.is_cut else ways[:1]:
        found = _compare_at(way, may_be_whole=peak >= WHOLE_FROM_PEAK)
        if best is None or _rank(found) > _rank(best):
            best = found
        if max(_rank(best)) >= SURE_DB:
            break
    return replace(best or Agreement(0.0, math.nan, 0, 0.0), peak=peak)


def _rank(agreement: Agreement) -> tuple[float, float]:
    whole_db = agreement.whole_db
    return (agreement.score_db, 0.0 if math.isnan(whole_db) else whole_db)


@dataclass(frozen=True, eq=False)
class _Overlap:
    """What two hits hold in common at one lag; `a` and `b` of one length, at least 0."""

    a: np.ndarray
    b: np.ndarray
    lag: float
    noise_a: float
    noise_b: float

    @classmethod
    def of(cls, first: Prepared, second: Prepared, lag: float) -> _Overlap:
        whole = round(lag)
        skip_a, skip_b = max(0, -whole), max(0, whole)
        a, b = first.samples[skip_a:], second.samples[skip_b:]
        # both hold real samples from here on, and the stroke of the earlier one has begun
        begin = max(first.first - skip_a, second.first - skip_b, MARGIN - max(skip_a, skip_b), 0)
        n = max(begin, min(len(a), len(b)))
        return cls(a[begin:n], b[begin:n], lag, first.noise, second.noise)

    @property
    def fraction(self) -> float:
        """Samples by which `b` is late."""
        return self.lag - round(self.lag)

    def scores_db(self, number: int) -> np.ndarray | None:
        """Scores of the cells of one of `SEGMENTS_MS`; None where less than half of it is held."""
        start, stop = (round(ms * SR / 1000) for ms in SEGMENTS_MS[number])
        n = min(stop, len(self.a)) - start
        if n < (stop - start) / 2:
            return None
        part = slice(start, start + quick_length(n))
        fraction = np.float32(self.fraction)
        return _scores_db(self.a[part], self.b[part], fraction, self.noise_a, self.noise_b)[0]


def _likely(ways: list[_Overlap]) -> list[_Overlap]:
    """The lag that explains the first segment best; all where that holds few cells at any."""
    n = round(SEGMENTS_MS[0][1] * SR / 1000)
    if len(ways) < 2 or min(len(way.a) for way in ways) < n:
        return ways
    a, b = np.stack([way.a[:n] for way in ways]), np.stack([way.b[:n] for way in ways])
    fractions = np.array([[way.fraction] for way in ways], np.float32)
    heads = _scores_db(a, b, fractions, ways[0].noise_a, ways[0].noise_b)
    if min(map(len, heads)) < HEAD_CELLS:
        return ways
    means = [float(scores.mean()) for scores in heads]
    return [ways[means.index(max(means))]]


def _compare_at(way: _Overlap, *, may_be_whole: bool) -> Agreement:
    """Compare at one lag; the whole band is left out where it says nothing else."""
    values, is_late, hopeless = [], [], False
    for number in range(len(SEGMENTS_MS)):
        cells = way.scores_db(number)
        if cells is None:
            break
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
        way.lag / SR,
        _whole_score(way.a, way.b, way.fraction) if asks_whole else math.nan,
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


@lru_cache(maxsize=4096)
def quick_length(n: int) -> int:
    """Longest length up to `n` that has a fast transform: all factors up to 11; at least 1."""
    from scipy.fft import next_fast_len

    length = max(n, 1)
    while next_fast_len(length) != length:
        length -= 1
    return length


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
def _turns(n: int) -> np.ndarray:
    """By how much each bin of `n` samples turns in one of them, radians; complex64."""
    return (2j * np.pi * np.arange(n // 2 + 1) / n).astype(np.complex64)


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


def _scores_db(
    a: np.ndarray, b: np.ndarray, fraction: np.ndarray | np.float32, noise_a: float, noise_b: float
) -> list[np.ndarray]:
    """Scores of the cells of segments, one after the other; `Cells.score_db` of each.

    Parameters
    ----------
    a, b : np.ndarray, shape (n,) or (n_segments, n)
    fraction : float32, samples by which `b` is late; of several segments shape (n_segments, 1)
    noise_a, noise_b : float, variance a sample
    """
    n = a.shape[-1]
    edges = _bands(n)[0]
    if len(edges) < 2:
        return [np.zeros(0)] * (len(a) if a.ndim > 1 else 1)
    turned = tapered_spectrum(b) * np.exp(_turns(n) * fraction)
    cross, power_a, power_b, heard = _in_bands(tapered_spectrum(a), turned, n, noise_a, noise_b)
    rows = zip(*(np.atleast_2d(x) for x in (cross, power_a, power_b, heard)), strict=True)
    return [_score_db(power_of(c[h]) / (p[h] * q[h])) for c, p, q, h in rows]


def _in_bands(
    spectrum_a: np.ndarray, spectrum_b: np.ndarray, n: int, noise_a: float, noise_b: float
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
