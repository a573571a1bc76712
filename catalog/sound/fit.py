"""What leads from one recording to the other: a short filter and a static curve, and what is left.

An equalised copy is a short filter of the original and a driven copy a static curve of it: both
leave almost nothing behind. Another stroke leaves most of itself whatever is fitted. The fit is
made both ways, since a curve that folds cannot be turned back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from catalog.sound.compare import (
    EARLY_SEGMENTS,
    MARGIN,
    MAX_CELL_DB,
    PRE_EMPHASIS,
    SEGMENTS_MS,
    Agreement,
    Prepared,
    cell_scores,
)
from catalog.sound.picture import SR

N_TAPS = 32  # of the filter, 0.7 ms about the common time
N_CURVE_TAPS = 12  # of each power beside it
FIT_S = 0.2  # the filter is fitted on this much; more changes no score
RIDGE = 1e-5  # of the mean energy of a column; keeps dull hits from huge taps
MIN_FIT = 4  # samples a coefficient: fewer would be learnt by heart
HIGH_HZ, LOW_HZ = 3_000.0, 500.0
SLOW_HZ = (20.0, 40.0, 80.0, 160.0)  # poles beside the filter: a high-pass rings far beyond it
EVIDENCE: tuple[str, ...] = (
    "mean_db", "p10_db", "p25_db", "p50_db", "p75_db", "p90_db", "attack_db", "late_db", "high_db",
    "low_db", "weighted_db", "whole_db", "plain_db", "peak", "n_cells", "high_share", "overlap_s",
    "phased_db", "phased_p10_db", "phased_p25_db", "phased_p50_db", "phased_late_db", "uneven_db",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Alignment:
    """How one recording becomes the other.

    Attributes
    ----------
    offset_s : float
        how much later the stroke begins in the second file than in the first
    gain_db : float
        level of the second over the first, over what both hold
    polarity : int, 1, or -1 where the second is turned
    taps : np.ndarray, shape (N_TAPS,), at 44.1 kHz, the middle one at the common time
        the filter fitted from the first to the second, both with the offset removed
    residue_db : float
        what the fit leaves of the second, relative to it; -40 and less is nothing
    """

    offset_s: float
    gain_db: float
    polarity: int
    taps: np.ndarray
    residue_db: float


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
    begin = max(first.first - skip_a, second.first - skip_b, MARGIN - max(skip_a, skip_b), 0)
    n = max(begin, min(len(a), len(b)))
    return Pair(a[begin:n], b[begin:n], first.noise, second.noise)


def _powers(x: np.ndarray) -> list[np.ndarray]:
    """The recording and odd and even powers of it, emphasised again."""
    from scipy.signal import lfilter

    raw = lfilter([1.0], [1.0, -PRE_EMPHASIS], x.astype(np.float64))
    raw /= max(float(np.abs(raw).max(initial=0.0)), 1e-12)
    out = []
    square = raw * raw
    cube = square * raw
    for power in (raw * np.abs(raw), square, cube, cube * square):
        out.append(np.append(power[:1], power[1:] - PRE_EMPHASIS * power[:-1]))
    return out


def _slow(x: np.ndarray) -> list[np.ndarray]:
    """The recording through low-passes of one pole and of two, which a short filter cannot make."""
    from scipy.signal import lfilter

    out = []
    for hz in SLOW_HZ:
        pole = math.exp(-2 * math.pi * hz / SR)
        once = lfilter([1.0 - pole], [1.0, -pole], x.astype(np.float64))
        out += [once, lfilter([1.0 - pole], [1.0, -pole], once)]
    return out


def fit_filter(x: np.ndarray, y: np.ndarray, *, curve: bool) -> tuple[np.ndarray, np.ndarray]:
    """Fit `y` by `x` through a short filter, with `curve` also by filtered powers of `x`.

    Parameters
    ----------
    x, y : np.ndarray, shape (n,)
    curve : bool

    Returns
    -------
    tuple of np.ndarray
        what is told of `y`, shape (n,), and the taps of the linear filter
    """
    blocks = [(x.astype(np.float64), N_TAPS), *((slow, 1) for slow in _slow(x))]
    if curve:
        blocks += [(power, N_CURVE_TAPS) for power in _powers(x)]
    n = min(len(x), round(FIT_S * SR))
    if n < MIN_FIT * sum(n_taps for _, n_taps in blocks):
        gain = float(x @ y) / max(float(x @ x), 1e-12)
        taps = np.zeros(N_TAPS)
        taps[N_TAPS // 2] = gain
        return gain * x, taps
    scale = [1.0 / max(float(np.sqrt(np.mean(signal[:n] ** 2))), 1e-12) for signal, _ in blocks]
    rows, starts = _delays(blocks, scale, n)
    gram = _gram_of_delays(rows, starts)
    gram[np.diag_indices_from(gram)] += RIDGE * n
    weights = np.linalg.solve(gram, (rows[:, :n] @ y[:n].astype(np.float32)).astype(np.float64))
    told = np.zeros(len(x))
    for (signal, n_taps), s, at in zip(blocks, scale, starts, strict=True):
        part = weights[at : at + n_taps] * s
        told += np.convolve(signal, part[::-1])[n_taps - 1 - n_taps // 2 :][: len(x)]
    return told, weights[:N_TAPS] * scale[0]


def _delays(
    blocks: Sequence[tuple[np.ndarray, int]], scale: Sequence[float], n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Each signal at each of its delays about the common time, a row each of n + 1 samples.

    Also the first row of each signal.
    """
    starts = np.cumsum([0, *(n_taps for _, n_taps in blocks)])
    rows = np.empty((starts[-1], n + 1), dtype=np.float32)
    for (signal, n_taps), s, start in zip(blocks, scale, starts[:-1], strict=True):
        before = n_taps // 2
        part = np.zeros(n + n_taps)
        held = signal[: n + n_taps - before]
        part[before : before + len(held)] = held * s
        for tap in range(n_taps):
            rows[start + tap] = part[tap : tap + n + 1]
    return rows, starts[:-1]


def _gram_of_delays(rows: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Products of all rows with each other, over all but their last sample.

    Each row but the first of a block is the one before it, a sample later. So only products with
    the first of each block are summed up; the others follow from their neighbours by what enters
    at the end and leaves at the beginning.

    Parameters
    ----------
    rows : np.ndarray, float32, shape (n_rows, n + 1)
    starts : np.ndarray, int, the first row of each block

    Returns
    -------
    np.ndarray, float64, shape (n_rows, n_rows)
    """
    firsts = (rows[starts, :-1] @ rows[:, :-1].T).astype(np.float64)
    begin, end = rows[:, 0].astype(np.float64), rows[:, -1].astype(np.float64)
    moved = np.outer(end, end) - np.outer(begin, begin)
    gram = np.empty((len(rows), len(rows)))
    gram[starts] = firsts
    for row in sorted(set(range(len(rows))) - set(starts.tolist())):
        gram[row, 1:] = gram[row - 1, :-1] + moved[row - 1, :-1]
        gram[row, starts] = firsts[:, row]
    return gram


class Scores(NamedTuple):
    """All cells of a pair; shape (n_cells,) each."""

    score_db: np.ndarray
    hz: np.ndarray
    energy: np.ndarray
    phased_db: np.ndarray
    gain_db: np.ndarray
    segment: np.ndarray


def score_pair(pair: Pair) -> Scores:
    """Score all cells of a pair that is aligned to the sample or fitted.

    Parameters
    ----------
    pair : Pair

    Returns
    -------
    Scores
    """
    found = []
    for number, (start_ms, stop_ms) in enumerate(SEGMENTS_MS):
        start, stop = (round(ms * SR / 1000) for ms in (start_ms, stop_ms))
        if min(stop, len(pair.a)) - start < (stop - start) // 2:
            break
        part = slice(start, stop)
        cells = cell_scores(pair.a[part], pair.b[part], 0.0, pair.noise_a, pair.noise_b)
        found.append(Scores(*cells, np.full(len(cells.score_db), number)))
    if not found:
        return Scores(*(np.zeros(0) for _ in Scores._fields))
    return Scores(*(np.concatenate(column) for column in zip(*found, strict=True)))


def whole_residue_db(told: np.ndarray, y: np.ndarray) -> float:
    """What is left of `y` once the best multiple of `told` is taken away, in dB below it."""
    energy = float(told @ told) * float(y @ y)
    common = float(told @ y) ** 2 / energy if energy > 0 else 0.0
    return min(-10.0 * math.log10(max(1.0 - common, 1e-9)), MAX_CELL_DB)


def fitted_evidence(first: Prepared, second: Prepared, plain: Agreement) -> np.ndarray:
    """Numbers that tell a copy from another stroke, after the best of four fits.

    Parameters
    ----------
    first, second : Prepared
    plain : Agreement, that of `compare_hits`

    Returns
    -------
    np.ndarray, float64, shape (len(EVIDENCE),), NaN where there is nothing to take it from
    """
    return Fits(first, second, plain).evidence()


class Fits:
    """The four fits of a pair, made when they are asked for: both ways, with a curve or without.

    Parameters
    ----------
    first, second : Prepared
    plain : Agreement, that of `compare_hits`
    """

    def __init__(self, first: Prepared, second: Prepared, plain: Agreement) -> None:
        pair = cut_pair(first, second, round(plain.lag_s * SR))
        self._ways = (pair, Pair(pair.b, pair.a, pair.noise_b, pair.noise_a))
        self._plain = plain
        self._made: dict[tuple[int, bool], tuple[Scores, float]] = {}

    def filtered_db(self, way: int) -> float:
        """Mean score after the filter alone, the second from the first (0) or turned (1)."""
        return _mean(self._fit(way, curve=False)[0].phased_db)

    def evidence(self) -> np.ndarray:
        """See `fitted_evidence`."""
        best: tuple[Scores, float] | None = None
        for way in (0, 1):
            for curve in (False, True):
                scores, whole = self._fit(way, curve=curve)
                if best is None or _mean(scores.phased_db) > _mean(best[0].phased_db):
                    best = scores, max(whole, best[1] if best else 0.0)
        assert best is not None
        return _numbers(*best, self._plain, len(self._ways[0].a) / SR)

    def _fit(self, way: int, *, curve: bool) -> tuple[Scores, float]:
        if (way, curve) not in self._made:
            one = self._ways[way]
            told, _ = fit_filter(one.a, one.b, curve=curve)
            scores = score_pair(one._replace(a=told.astype(np.float32)))
            self._made[way, curve] = scores, whole_residue_db(told, one.b.astype(np.float64))
        return self._made[way, curve]


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if len(values) else math.nan


def _numbers(scores: Scores, whole_db: float, plain: Agreement, overlap_s: float) -> np.ndarray:
    db, phased, is_late = scores.score_db, scores.phased_db, scores.segment >= EARLY_SEGMENTS
    told = [whole_db, plain.score_db, plain.peak]
    if not len(db):
        return np.array([math.nan] * 11 + [*told, 0, 0, overlap_s] + [math.nan] * 6)
    lost = float((scores.energy * 10 ** (-db / 10)).sum() / scores.energy.sum())
    return np.array([
        _mean(db), *np.percentile(db, [10, 25, 50, 75, 90]), _mean(db[~is_late]),
        _mean(db[is_late]), _mean(db[scores.hz > HIGH_HZ]), _mean(db[scores.hz < LOW_HZ]),
        -10 * math.log10(lost), *told, len(db), float(np.mean(scores.hz > HIGH_HZ)), overlap_s,
        _mean(phased), *np.percentile(phased, [10, 25, 50]), _mean(phased[is_late]),
        _unevenness_db(scores),
    ])  # fmt: skip


def _unevenness_db(scores: Scores) -> float:
    """How far the levels of bands lie apart within a segment after the fit."""
    off = [
        scores.gain_db[scores.segment == k] - np.median(scores.gain_db[scores.segment == k])
        for k in np.unique(scores.segment)
    ]
    return float(np.sqrt(np.mean(np.concatenate(off) ** 2)))


def align_hits(first: Prepared, second: Prepared, plain: Agreement) -> Alignment:
    """Tell how the first recording becomes the second.

    Parameters
    ----------
    first, second : Prepared
    plain : Agreement, that of `compare_hits`

    Returns
    -------
    Alignment
    """
    from scipy.signal import lfilter

    pair = cut_pair(first, second, round(plain.lag_s * SR))
    told, taps = fit_filter(pair.a, pair.b, curve=False)
    a, b = (lfilter([1.0], [1.0, -PRE_EMPHASIS], x.astype(np.float64)) for x in (pair.a, pair.b))
    level = float(b @ b) * second.scale**2 / max(float(a @ a) * first.scale**2, 1e-30)
    y = pair.b.astype(np.float64)
    left = float(np.square(y - told).sum()) / max(float(y @ y), 1e-30)
    return Alignment(
        second.onset_s - first.onset_s + plain.lag_s,
        10.0 * math.log10(max(level, 1e-30)),
        -1 if taps[np.argmax(np.abs(taps))] < 0 else 1,
        taps,
        10.0 * math.log10(max(left, 1e-12)),
    )
