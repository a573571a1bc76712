"""Numbers that tell a copy from another stroke, after the best of four fits.

A pair is fitted both ways, since a curve that folds cannot be turned back, and with curves or
without. The first way is from the side of more crest: what is driven loses of it. It alone mostly
tells enough, so that it can be asked before the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from catalog.features.onset import highest, middle_of
from catalog.features.spectrogram import SR
from catalog.matching.coherence import Agreement, Pair, cut_pair
from catalog.matching.prepare import Prepared
from catalog.matching.segments import (
    EARLY_SEGMENTS,
    MAX_CELL_DB,
    score_spectra,
    segment_parts,
    tapered_spectrum,
)
from catalog.matching.transfer import FIT_S, Filter, fit_filter, powers_of, without_emphasis

HIGH_HZ, LOW_HZ = 3_000.0, 500.0
FITS = ((0, False), (0, True), (1, False), (1, True))  # the way, and whether with a curve
EVIDENCE: tuple[str, ...] = (
    "mean_db", "p10_db", "p25_db", "p50_db", "p75_db", "p90_db", "attack_db", "late_db", "high_db",
    "low_db", "weighted_db", "whole_db", "plain_db", "peak", "n_cells", "high_share", "overlap_s",
    "phased_db", "phased_p10_db", "phased_p25_db", "phased_p50_db", "phased_late_db", "uneven_db",
)  # fmt: skip


class Scores(NamedTuple):
    """All cells of a pair; shape (n_cells,) each."""

    score_db: np.ndarray
    hz: np.ndarray
    energy: np.ndarray
    phased_db: np.ndarray
    gain_db: np.ndarray
    segment: np.ndarray


def segment_spectra(x: np.ndarray) -> list[np.ndarray]:
    """Spectra of the segments of one side, see `catalog.matching.segments.tapered_spectrum`."""
    return [tapered_spectrum(x[part]) for part in segment_parts(len(x))]


def score_pair(pair: Pair, spectra_b: Sequence[np.ndarray] | None = None) -> Scores:
    """Score all cells of a pair that is aligned to the sample or fitted.

    Parameters
    ----------
    pair : Pair
    spectra_b : sequence of np.ndarray, `segment_spectra` of `b` where they have been made before

    Returns
    -------
    Scores
    """
    found = []
    spectra = segment_spectra(pair.b) if spectra_b is None else spectra_b
    for number, (part, of_b) in enumerate(zip(segment_parts(len(pair.a)), spectra, strict=True)):
        a = pair.a[part]
        cells = score_spectra(tapered_spectrum(a), of_b, len(a), pair.noise_a, pair.noise_b)
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
        ways = pair, Pair(pair.b, pair.a, pair.noise_b, pair.noise_a)
        self._ways = ways if _crest(pair.a) >= _crest(pair.b) else ways[::-1]
        self._plain = plain
        self._spectra: dict[int, list[np.ndarray]] = {}
        self._made: dict[tuple[int, bool], tuple[Scores, float]] = {}

    def evidence(self, n: int = len(FITS)) -> np.ndarray:
        """Give numbers of that of the first of `FITS` which has the highest mean.

        Parameters
        ----------
        n : int, 1 for a filter one way, 2 for curves beside it too, 4 for all

        Returns
        -------
        np.ndarray, see `fitted_evidence`; the whole is the best of the fits up to that one
        """
        best: tuple[Scores, float] | None = None
        for way, curve in FITS[:n]:
            scores, whole = self._fit(way, curve)
            if best is None or _mean(scores.phased_db) > _mean(best[0].phased_db):
                best = scores, max(whole, best[1] if best else 0.0)
        assert best is not None
        return _numbers(*best, self._plain, len(self._ways[0].a) / SR)

    def _fit(self, way: int, curve: bool) -> tuple[Scores, float]:
        if (way, curve) not in self._made:
            one = self._ways[way]
            powers = powers_of(one.a) if curve else []
            fitted = fit_filter(one.a, one.b, powers)
            if way not in self._spectra:
                self._spectra[way] = segment_spectra(one.b)
            self._made[way, curve] = _score(one, fitted, powers, self._spectra[way])
        return self._made[way, curve]


def _score(
    pair: Pair,
    fitted: Filter,
    powers: Sequence[np.ndarray] = (),
    spectra_b: Sequence[np.ndarray] | None = None,
) -> tuple[Scores, float]:
    """Cells after a fit, and what is left of the whole."""
    told = fitted.apply(pair.a, powers)
    scores = score_pair(pair._replace(a=told.astype(np.float32)), spectra_b)
    return scores, whole_residue_db(told, pair.b.astype(np.float64))


def _crest(emphasised: np.ndarray) -> float:
    """Peak over the root mean square of the first `FIT_S`, the highs as they were."""
    y = without_emphasis(emphasised[: round(FIT_S * SR)])
    power = float(y @ y)
    return highest(y) * math.sqrt(len(y) / power) if power > 0 else 0.0


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if len(values) else math.nan


def _numbers(scores: Scores, whole_db: float, plain: Agreement, overlap_s: float) -> np.ndarray:
    db, phased, is_late = scores.score_db, scores.phased_db, scores.segment >= EARLY_SEGMENTS
    told = [whole_db, plain.score_db, plain.peak]
    if not len(db):
        return np.array([math.nan] * 11 + [*told, 0, 0, overlap_s] + [math.nan] * 6)
    lost = float((scores.energy * 10 ** (-db / 10)).sum() / scores.energy.sum())
    return np.array([
        _mean(db), *_percentiles(db, 10, 25, 50, 75, 90), _mean(db[~is_late]),
        _mean(db[is_late]), _mean(db[scores.hz > HIGH_HZ]), _mean(db[scores.hz < LOW_HZ]),
        -10 * math.log10(lost), *told, len(db), float(np.mean(scores.hz > HIGH_HZ)), overlap_s,
        _mean(phased), *_percentiles(phased, 10, 25, 50), _mean(phased[is_late]),
        _unevenness_db(scores),
    ])  # fmt: skip


def _unevenness_db(scores: Scores) -> float:
    """How far the levels of bands lie apart within a segment after the fit."""
    total = 0.0
    for gain_db in np.split(scores.gain_db, 1 + np.flatnonzero(np.diff(scores.segment))):
        off = gain_db - middle_of(gain_db)
        total += float(off @ off)
    return math.sqrt(total / len(scores.gain_db))


def _percentiles(values: np.ndarray, *percents: float) -> list[float]:
    """Percentiles of a few values, as `np.percentile` gives them, in a tenth of its time."""
    ordered = np.sort(values).tolist()
    found = []
    for percent in percents:
        at = (len(ordered) - 1) * percent / 100
        below = int(at)
        above = min(below + 1, len(ordered) - 1)
        found.append(ordered[below] + (at - below) * (ordered[above] - ordered[below]))
    return found
