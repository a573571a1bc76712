"""Are two hits one recording? Samples are aligned and compared cell by cell in time and frequency.

A copy that was changed in gain, polarity, length, rate or width leaves almost nothing of itself
behind in any cell; another stroke of the same drum leaves most of itself in many of them. One
correlation over the whole band cannot tell them apart: two strokes of a kick reach 0.99.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from catalog.features.spectrogram import SR
from catalog.matching.align import N_LAGS, Lags, find_lags
from catalog.matching.prepare import MARGIN, Prepared, batches
from catalog.matching.segments import (
    EARLY_SEGMENTS,
    MAX_CELL_DB,
    SEGMENTS_MS,
    scores_db,
    segment_parts,
)

HEAD_CELLS = 4  # of the first segment tell which lag of a cut start it is
SURE_DB = 20.0  # the first lag that gives this much is taken
HOPELESS_AFTER = 1  # the second segment: nine in ten pairs of strokes are told apart by then
HOPELESS_CELLS, HOPELESS_DB = 8, 5.0  # copies packed at low rates have 8 dB and more
WHOLE_FROM_DB = 10.0  # over so many cells; below it the whole band says nothing else
WHOLE_FROM_PEAK = 0.3  # of the correlation, as the judge's `POOR_PEAK`; below it, nor then
MIN_OVERLAP = 64  # samples that both must hold
MIN_CELLS = 20  # fewer are little to judge: dull hits, whose low cells agree between strokes too
SEGMENTS_AT_ONCE = 32
HEAD = slice(0, round(SEGMENTS_MS[0][1] * SR / 1000))


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


class _Try(NamedTuple):
    """A pair at one lag; the whole band is left out where it says nothing else."""

    pair: Pair
    lag: float
    may_be_whole: bool

    @property
    def fraction(self) -> float:
        """Part of a sample by which the second side is late once whole samples are cut away."""
        return self.lag - round(self.lag)


def compare_hits(pairs: Sequence[tuple[Prepared, Prepared]]) -> list[Agreement]:
    """Align pairs of hits and measure cell by cell how much of one is in the other.

    Gain and polarity do not matter; everything is normalised over what both hold.

    Parameters
    ----------
    pairs : sequence of (Prepared, Prepared)

    Returns
    -------
    list of Agreement, one a pair
    """
    lags = find_lags(pairs)
    tries = _likeliest([_tries(*pair, found) for pair, found in zip(pairs, lags, strict=True)])
    best = [Agreement(0.0, math.nan, 0, 0.0, peak=found.peak) for found in lags]
    for turn in range(N_LAGS):
        asked = [
            at
            for at, some in enumerate(tries)
            if len(some) > turn and (turn == 0 or max(_rank(best[at])) < SURE_DB)
        ]
        for at, found in zip(asked, _compare([tries[at][turn] for at in asked]), strict=True):
            if turn == 0 or _rank(found) > _rank(best[at]):
                best[at] = replace(found, peak=lags[at].peak)
    return best


def _tries(first: Prepared, second: Prepared, lags: Lags) -> list[_Try]:
    """Give the pair at the highest lag, or at all where a start was cut."""
    tried = lags.samples if first.is_cut or second.is_cut else lags.samples[:1]
    may_be_whole = lags.peak >= WHOLE_FROM_PEAK
    return [_Try(cut_pair(first, second, round(lag)), lag, may_be_whole) for lag in tried]


def _rank(agreement: Agreement) -> tuple[float, float]:
    whole_db = agreement.whole_db
    return (agreement.score_db, 0.0 if math.isnan(whole_db) else whole_db)


def _likeliest(tries: Sequence[list[_Try]]) -> list[list[_Try]]:
    """Of each pair the first lag, and that which explains the first segment best.

    All where that segment holds few cells at any. The first lag is the highest of the correlation;
    a driven copy can have a better first segment elsewhere.
    """
    chosen = list(tries)
    several = [
        at
        for at, some in enumerate(tries)
        if len(some) > 1 and min(len(one.pair.a) for one in some) >= HEAD.stop
    ]
    heads = iter(_scores([(one, HEAD) for at in several for one in tries[at]]))
    for at in several:
        scores = [next(heads) for _ in tries[at]]
        if min(map(len, scores)) < HEAD_CELLS:
            continue
        means = [float(cells.mean()) for cells in scores]
        chosen[at] = [tries[at][row] for row in sorted({means.index(max(means)), 0})]
    return chosen


def _scores(parts: Sequence[tuple[_Try, slice]]) -> list[np.ndarray]:
    """Scores of the cells of parts of pairs; those of one length together."""
    found: dict[int, np.ndarray] = {}
    for _, some in batches((part.stop - part.start for _, part in parts), SEGMENTS_AT_ONCE):
        asked = [parts[at] for at in some]
        scores = scores_db(
            np.stack([one.pair.a[part] for one, part in asked]),
            np.stack([one.pair.b[part] for one, part in asked]),
            np.array([[one.fraction] for one, _ in asked], np.float32),
            np.array([[one.pair.noise_a] for one, _ in asked]),
            np.array([[one.pair.noise_b] for one, _ in asked]),
        )
        found.update(zip(some, scores, strict=True))
    return [found[at] for at in range(len(parts))]


def _compare(tries: Sequence[_Try]) -> list[Agreement]:
    """Compare segment by segment; a pair that is hopeless is left early."""
    cells: list[list[np.ndarray]] = [[] for _ in tries]
    parts = [segment_parts(len(one.pair.a)) for one in tries]
    hopeless: set[int] = set()
    for number in range(len(SEGMENTS_MS)):
        asked = [at for at, some in enumerate(parts) if len(some) > number and at not in hopeless]
        scores = _scores([(tries[at], parts[at][number]) for at in asked])
        for at, found in zip(asked, scores, strict=True):
            cells[at].append(found)
        if number == HOPELESS_AFTER:
            hopeless = {at for at in asked if _is_hopeless(cells[at])}
    return [
        _agreement(one, some, at in hopeless)
        for at, (one, some) in enumerate(zip(tries, cells, strict=True))
    ]


def _agreement(one: _Try, cells: Sequence[np.ndarray], is_hopeless: bool) -> Agreement:
    scores = np.concatenate([*cells, np.zeros(0)])
    n_early = sum(map(len, cells[:EARLY_SEGMENTS]))
    late = scores[n_early:]
    mean = float(scores.mean()) if len(scores) else 0.0
    is_told = is_hopeless or (len(scores) >= HOPELESS_CELLS and mean < WHOLE_FROM_DB)
    asks_whole = len(scores) < MIN_CELLS and not is_told and one.may_be_whole
    return Agreement(
        mean,
        float(late.mean()) if len(late) else math.nan,
        len(scores),
        one.lag / SR,
        _whole_score(one.pair.a, one.pair.b, one.fraction) if asks_whole else math.nan,
    )


def _is_hopeless(cells: Sequence[np.ndarray]) -> bool:
    scores = np.concatenate(cells)
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
