"""Coherence of two aligned hits, measured in time-frequency cells.

A copy that was changed in gain, polarity, length, rate or width leaves almost no residual in any
cell; another stroke of the same drum leaves most of its energy in many. One correlation over the
whole band cannot separate them: two strokes of a kick reach 0.99.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from catalog.features.embedding.spectrogram import SR
from catalog.matching.align import N_LAGS, LagCandidates, Overlap, cut_overlap, find_lags
from catalog.matching.comparison.cells import (
    EARLY_SEGMENTS,
    MAX_SCORE_DB,
    SEGMENTS_MS,
    cell_scores_db,
    segment_slices,
)
from catalog.matching.prepare import PreparedSignal, group_indices

FIRST_SEGMENT = slice(0, round(SEGMENTS_MS[0][1] * SR / 1000))
MIN_FIRST_CELLS = 4  # cells in the first segment that suffice to choose the lag of a cut start
SUFFICIENT_DB = 20.0  # no further lag or view is tried from this score on
ABANDON_AFTER = 1  # index of the segment after which nine in ten pairs of strokes are settled
ABANDON_CELLS, ABANDON_DB = 8, 5.0  # copies encoded at low bit rates have 8 dB and more
WIDEBAND_FROM_DB = 10.0  # over `ABANDON_CELLS`; below it the wideband score adds nothing
WIDEBAND_FROM_PEAK = 0.3  # of the correlation; as `WEAK_PEAK` in `catalog.matching.verdict`
MIN_WIDEBAND_SAMPLES = 64
MIN_CELLS = 20  # fewer are weak evidence: in dull hits the low cells agree between strokes too
SEGMENTS_AT_ONCE = 32


@dataclass(frozen=True)
class Coherence:
    """How far two recordings agree."""

    score_db: float  # mean over cells of -10 log10(1 - magnitude-squared coherence)
    late_db: float  # the same after the first 20 ms; NaN if no cell is left there
    n_cells: int  # cells above the noise of both; fewer than `MIN_CELLS` are weak evidence
    lag_s: float  # by how much the second is later than the detected onsets imply
    # score of the whole band at once, computed where cells are few and agree; NaN elsewhere
    wideband_db: float = float("nan")
    peak: float = float("nan")  # highest partly whitened correlation, 0 to 1

    @property
    def rank(self) -> tuple[float, float]:
        """Sort key: the score, then the wideband score or 0."""
        return (self.score_db, 0.0 if math.isnan(self.wideband_db) else self.wideband_db)


class LagTrial(NamedTuple):
    """A pair cut to its overlap at one lag, in samples; `allows_wideband` as in the constants."""

    overlap: Overlap
    lag: float
    allows_wideband: bool

    @property
    def fraction(self) -> float:
        """Delay of the second signal that is left once whole samples are cut off, in samples."""
        return self.lag - round(self.lag)


def measure_coherence(pairs: Sequence[tuple[PreparedSignal, PreparedSignal]]) -> list[Coherence]:
    """Align pairs of signals and measure their coherence, cell by cell; one result per pair.

    Gain and polarity do not matter; all is normalized over the overlap.
    """
    lags = find_lags(pairs)
    trials = select_trials([lag_trials(*pair, lag) for pair, lag in zip(pairs, lags, strict=True)])
    best = [Coherence(0.0, math.nan, 0, 0.0, peak=lag.peak) for lag in lags]
    for turn in range(N_LAGS):
        remaining = [
            index
            for index, of_pair in enumerate(trials)
            if len(of_pair) > turn and (turn == 0 or max(best[index].rank) < SUFFICIENT_DB)
        ]
        results = _measure_trials([trials[index][turn] for index in remaining])
        for index, result in zip(remaining, results, strict=True):
            if turn == 0 or result.rank > best[index].rank:
                best[index] = replace(result, peak=lags[index].peak)
    return best


def lag_trials(
    first: PreparedSignal, second: PreparedSignal, lags: LagCandidates
) -> list[LagTrial]:
    """Return the overlap at the highest lag, or at all lags where a start was cut."""
    samples = lags.samples if first.is_cut or second.is_cut else lags.samples[:1]
    allows_wideband = lags.peak >= WIDEBAND_FROM_PEAK
    return [
        LagTrial(cut_overlap(first, second, round(lag)), lag, allows_wideband) for lag in samples
    ]


def select_trials(trials: Sequence[list[LagTrial]]) -> list[list[LagTrial]]:
    """Keep the first trial of each pair and the one with the best first segment.

    All trials are kept where that segment has few cells at any lag. The first trial is the highest
    correlation; a copy with a nonlinear edit can have a better first segment at another lag.
    """
    selected = list(trials)
    ambiguous = [
        index
        for index, of_pair in enumerate(trials)
        if len(of_pair) > 1 and min(len(t.overlap.a) for t in of_pair) >= FIRST_SEGMENT.stop
    ]
    segments = [(trial, FIRST_SEGMENT) for index in ambiguous for trial in trials[index]]
    first_scores = iter(_score_segments(segments))
    for index in ambiguous:
        scores = [next(first_scores) for _ in trials[index]]
        if min(map(len, scores)) < MIN_FIRST_CELLS:
            continue
        means = [float(cells.mean()) for cells in scores]
        selected[index] = [trials[index][k] for k in sorted({means.index(max(means)), 0})]
    return selected


def _score_segments(segments: Sequence[tuple[LagTrial, slice]]) -> list[np.ndarray]:
    """Return the cell scores of segments; those of equal length are computed together."""
    results: dict[int, np.ndarray] = {}
    lengths = (part.stop - part.start for _, part in segments)
    for _, batch in group_indices(lengths, SEGMENTS_AT_ONCE):
        members = [segments[index] for index in batch]
        scores = cell_scores_db(
            np.stack([trial.overlap.a[part] for trial, part in members]),
            np.stack([trial.overlap.b[part] for trial, part in members]),
            np.array([[trial.fraction] for trial, _ in members], np.float32),
            np.array([[trial.overlap.noise_a] for trial, _ in members]),
            np.array([[trial.overlap.noise_b] for trial, _ in members]),
        )
        results.update(zip(batch, scores, strict=True))
    return [results[index] for index in range(len(segments))]


def _measure_trials(trials: Sequence[LagTrial]) -> list[Coherence]:
    """Measure segment by segment; abandon a pair early where a copy is out of the question."""
    cells: list[list[np.ndarray]] = [[] for _ in trials]
    slices = [segment_slices(len(trial.overlap.a)) for trial in trials]
    abandoned: set[int] = set()
    for number in range(len(SEGMENTS_MS)):
        remaining = [
            index
            for index, of_trial in enumerate(slices)
            if len(of_trial) > number and index not in abandoned
        ]
        scores = _score_segments([(trials[index], slices[index][number]) for index in remaining])
        for index, of_segment in zip(remaining, scores, strict=True):
            cells[index].append(of_segment)
        if number == ABANDON_AFTER:
            abandoned = {index for index in remaining if _is_hopeless(cells[index])}
    return [
        _summarize(trial, cells[index], index in abandoned) for index, trial in enumerate(trials)
    ]


def _is_hopeless(cells: Sequence[np.ndarray]) -> bool:
    scores = np.concatenate(cells)
    return len(scores) >= ABANDON_CELLS and float(scores.mean()) < ABANDON_DB


def _summarize(trial: LagTrial, cells: Sequence[np.ndarray], is_abandoned: bool) -> Coherence:
    scores = np.concatenate([*cells, np.zeros(0)])
    late = scores[sum(map(len, cells[:EARLY_SEGMENTS])) :]
    mean = float(scores.mean()) if len(scores) else 0.0
    is_settled = is_abandoned or (len(scores) >= ABANDON_CELLS and mean < WIDEBAND_FROM_DB)
    needs_wideband = len(scores) < MIN_CELLS and not is_settled and trial.allows_wideband
    return Coherence(
        mean,
        float(late.mean()) if len(late) else math.nan,
        len(scores),
        trial.lag / SR,
        _wideband_score_db(trial) if needs_wideband else math.nan,
    )


def _wideband_score_db(trial: LagTrial) -> float:
    """Score the whole band over the whole overlap; short and dull hits have no finer cells."""
    from scipy.fft import next_fast_len, rfft

    a, b = (signal.astype(np.float64) for signal in trial.overlap[:2])
    if len(a) < MIN_WIDEBAND_SAMPLES:
        return 0.0
    n_fft = next_fast_len(len(a) + 1, real=True) // 2 * 2
    n_bins = n_fft // 2 + 1
    phasors = np.exp(2j * np.pi * np.arange(n_bins) * trial.fraction / n_fft)
    weight = np.full(
        n_bins, 2.0
    )  # each bin but the first and last counts for its negative frequency too
    weight[[0, -1]] = 1.0
    cross = (weight * (rfft(a, n_fft) * np.conj(rfft(b, n_fft) * phasors)).real).sum()
    energy = float(a @ a) * float(b @ b)
    squared = (float(cross) / n_fft) ** 2 / energy if energy > 0 else 0.0
    return min(-10.0 * math.log10(max(1.0 - squared, 1e-9)), MAX_SCORE_DB)
