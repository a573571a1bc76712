"""Copy, not sure, or another recording: asked of the samples of two hits.

What is plain is decided at once. The rest is fitted (`catalog.matching.transfer`) and judged by
small boosted trees, learnt by `catalog.training` from edited recordings and real strokes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from catalog.audio.resample import resample
from catalog.matching.coherence import Agreement
from catalog.matching.evidence import EVIDENCE, Fits
from catalog.matching.views import Met, Recording, meet, sketches_alike
from catalog.models import Verdict

JUDGE_FILE = Path(__file__).with_name("classifier.npz")


JUDGE_VERSION = 6  # raise it when answers change: decisions that were kept are then asked anew


SURE_DB, SURE_LATE_DB, SURE_CELLS = 30.0, 25.0, 20  # real strokes reach 12.7 before any fit


FEW_CELLS = 4  # over the whole band real strokes of so few cells reach 16.8


HOPELESS_PEAK = 0.12  # of the partly whitened correlation; edited copies have 0.24 and more


# Of 15,884 edited copies that were found, the rules on poor ones lose none, none and 4.
POOR_PEAK, POOR_DB = 0.3, 4.0  # both; of two strokes eight in ten have less


POOR_CELLS = 8  # where there are so many, `POOR_DB` alone


POOR_ALIKE, POOR_ALIKE_DB = 0.55, 5.0  # both, of the sketches and the samples


OTHER_BELOW = 0.4  # of the sketches; 1 of those copies has less


# Of 7,728 edited copies that were found, the first loses none, the second 3; of 2,230, three in
# four of them driven, the last loses none.
FITTED_CELLS, FITTED_DB = 8, 4.0  # of a filter one way; copies have 4.5 and more


FILTERED_LOGIT = -5.0  # of the same


CURVED_LOGIT = -2.5  # with a curve beside it; copies have 0.6 and more


EXACT_DB = 40.0  # nothing of either is left once level and offset are fitted


EXACT_SAMPLES = 4  # fewer say nothing


EXACT_SPARE = 2  # samples of silence that one of them may have more


EXACT_RATES_DB = 20.0  # the same where rates differ: conversion takes away the highest band


FEW_SAMPLES, FEW_RATES_DB = 64, 10.0  # a click of few samples has much of its energy there


EXACT_SR, EXACT_ROOM_S = 96_000, 0.005


@dataclass(frozen=True)
class Judgement:
    """What the samples of two hits say.

    Attributes
    ----------
    answer : Verdict
    share : float, of the sound that both have in common, 0 to 1, after the fit
    logit : float, of the judge; infinite where no judge was needed
    """

    answer: Verdict
    share: float
    logit: float


PLAINLY_OTHER = Judgement(Verdict.OTHER, 0.0, -np.inf)  # by their sketches; nothing more is asked


@lru_cache(maxsize=1)
def load_judge() -> tuple[Trees, float, float]:
    """Load the trees, the logit from which it is a copy and that from which it may be one."""
    with np.load(JUDGE_FILE, allow_pickle=False) as file:
        copy, unsure = float(file["copy_logit"]), float(file["unsure_logit"])
    return Trees.load(JUDGE_FILE), copy, unsure


def judge_pair(first: Recording, second: Recording) -> Judgement:
    """Judge whether two hits are one recording; see `judge_pairs`."""
    return judge_pairs([(first, second)])[0]


def judge_pairs(pairs: Sequence[tuple[Recording, Recording]]) -> list[Judgement]:
    """Judge whether the two hits of each pair are one recording.

    Some hundred at once take four fifths of the time that they take one by one.

    Parameters
    ----------
    pairs : sequence of (Recording, Recording)

    Returns
    -------
    list of Judgement, one a pair
    """
    judged = [PLAINLY_OTHER] * len(pairs)
    alike = sketches_alike(pairs).tolist()
    is_same = [is_exact(*pair) for pair in pairs]
    asked = [at for at in range(len(pairs)) if not is_same[at] and alike[at] >= OTHER_BELOW]
    for at, met in zip(asked, meet([pairs[at] for at in asked]), strict=True):
        judged[at] = _judge_met(met, alike[at])
    return [
        Judgement(Verdict.COPY, 1.0, np.inf) if same else one
        for same, one in zip(is_same, judged, strict=True)
    ]


def _judge_met(met: Met, alike: float) -> Judgement:
    other = Judgement(Verdict.OTHER, _share(met.plain.score_db), -np.inf)
    if _is_plain_copy(met.plain):
        return Judgement(Verdict.COPY, other.share, np.inf)
    if _is_hopeless(met.plain, alike):
        return other
    fits = Fits(*met)
    for n_fits, least in ((1, FILTERED_LOGIT), (2, CURVED_LOGIT)):
        evidence = fits.evidence(n_fits)
        judged = judge_evidence(evidence)
        if judged.logit < least or _leaves_much(evidence):
            return other
        if judged.answer == Verdict.COPY:
            return judged
    return judge_evidence(fits.evidence())


def _leaves_much(evidence: np.ndarray) -> bool:
    """Whether a fit leaves so much that no other makes a copy of it."""
    n_cells, left_db = (evidence[EVIDENCE.index(name)] for name in ("n_cells", "phased_db"))
    return bool(n_cells >= FITTED_CELLS and left_db < FITTED_DB)


def judge_evidence(evidence: np.ndarray) -> Judgement:
    """Judge one row of evidence.

    Parameters
    ----------
    evidence : np.ndarray, shape (len(EVIDENCE),)

    Returns
    -------
    Judgement
    """
    trees, copy, unsure = load_judge()
    logit = float(trees.logit(evidence[None])[0])
    answer = Verdict.COPY if logit >= copy else Verdict.UNSURE if logit >= unsure else Verdict.OTHER
    mean_db = evidence[EVIDENCE.index("mean_db")]
    return Judgement(answer, _share(float(np.nan_to_num(mean_db))), logit)


def _share(score_db: float) -> float:
    return 1.0 - 10.0 ** (-score_db / 10.0)


def _is_hopeless(plain: Agreement, alike: float) -> bool:
    """Whether no fit is worth its time, which is ten times that of the comparison."""
    if plain.peak < HOPELESS_PEAK:
        return True
    if plain.n_cells < POOR_CELLS:
        return plain.peak < POOR_PEAK and plain.score_db < POOR_DB
    return plain.score_db < (POOR_DB if alike >= POOR_ALIKE else POOR_ALIKE_DB)


def _is_plain_copy(plain: Agreement) -> bool:
    if plain.n_cells < SURE_CELLS:  # a short or a dull hit: the whole band must say so too
        is_sure = plain.n_cells >= FEW_CELLS and plain.whole_db >= SURE_DB
        return is_sure and plain.score_db >= SURE_DB and plain.late_db >= SURE_LATE_DB
    late = SURE_DB if np.isnan(plain.late_db) else plain.late_db
    return plain.score_db >= SURE_DB and late >= SURE_LATE_DB


def is_exact(first: Recording, second: Recording) -> bool:
    """Whether one very short recording is a multiple of the other, sample by sample.

    Parameters
    ----------
    first, second : Recording

    Returns
    -------
    bool, False where one of them is not short
    """
    a, b = first.bare, second.bare
    if a is None or b is None or min(len(a), len(b)) < EXACT_SAMPLES:
        return False
    if first.sr == second.sr:
        return _common_in_place(a, b) >= 1 - 10 ** (-EXACT_DB / 10)
    asked_db = FEW_RATES_DB if min(len(a), len(b)) < FEW_SAMPLES else EXACT_RATES_DB
    a, b = _at_rate(a, first.sr), _at_rate(b, second.sr)
    energy = float(a @ a) * float(b @ b)
    common = float(np.square(np.correlate(a, b, "full")).max()) / energy if energy > 0 else 0.0
    return common >= 1 - 10 ** (-asked_db / 10)


def _at_rate(bare: np.ndarray, sr: int) -> np.ndarray:
    """At `EXACT_SR`, with room on both sides for what the conversion rings."""
    padded = np.pad(bare, round(EXACT_ROOM_S * sr))
    if sr != EXACT_SR:
        padded = resample(padded[:, None], sr=sr, to_sr=EXACT_SR)[:, 0]
    return padded.astype(np.float64)


def _common_in_place(a: np.ndarray, b: np.ndarray) -> float:
    """Highest squared correlation with the shorter within the longer, a constant left out."""
    if len(a) > len(b):
        a, b = b, a
    if len(b) - len(a) > EXACT_SPARE:
        return 0.0
    best, a = 0.0, a - a.mean()
    for at in range(len(b) - len(a) + 1):
        part = b[at : at + len(a)]
        part = part - part.mean()
        energy = float(a @ a) * float(part @ part)
        if energy > 0:
            best = max(best, float(a @ part) ** 2 / energy)
    return best


@dataclass(frozen=True, eq=False)
class Trees:
    """Trees whose leaves add up to a logit; all arrays but `start` of shape (n_trees, n_nodes).

    Attributes
    ----------
    column : np.ndarray, int, the number that a node asks for, -1 in a leaf
    limit : np.ndarray, float, numbers up to it go left
    left, right : np.ndarray, int, the node that comes next
    lost_left : np.ndarray, bool, whether a number that is not there goes left
    value : np.ndarray, float, of a leaf
    start : float, the logit before any tree
    """

    column: np.ndarray
    limit: np.ndarray
    left: np.ndarray
    right: np.ndarray
    lost_left: np.ndarray
    value: np.ndarray
    start: float

    def logit(self, rows: np.ndarray) -> np.ndarray:
        """Add up the trees.

        Parameters
        ----------
        rows : np.ndarray, shape (n, n_columns), NaN where a number is not there

        Returns
        -------
        np.ndarray, float64, shape (n,)
        """
        rows = np.asarray(rows, np.float64)
        column, limit, lost_left, below, value = self._flat
        n_trees, n_nodes = self.column.shape
        at = np.tile(np.arange(0, n_trees * n_nodes, n_nodes), len(rows))
        item = np.repeat(np.arange(0, rows.size, max(rows.shape[1], 1)), n_trees)
        numbers = rows.ravel()
        asked = column[at]
        while (asked >= 0).any():
            number = numbers[item + np.maximum(asked, 0)]
            goes_left = (number <= limit[at]) | (np.isnan(number) & lost_left[at])
            at = below[2 * at + goes_left]
            asked = column[at]
        return np.asarray(value[at].reshape(len(rows), n_trees).sum(axis=1) + self.start)

    @cached_property
    def _flat(self) -> tuple[np.ndarray, ...]:
        """All trees one after the other: column, limit, lost_left, what is below, value.

        Below node `i` lie those at `2 i` (right) and `2 i + 1` (left); a leaf lies below itself.
        """
        n_trees, n_nodes = self.column.shape
        node = np.arange(n_trees * n_nodes).reshape(n_trees, n_nodes)
        is_leaf, start = self.column < 0, node[:, :1]
        below = [np.where(is_leaf, node, start + side) for side in (self.right, self.left)]
        kept = (self.column, self.limit, self.lost_left, np.stack(below, axis=-1), self.value)
        return tuple(np.ascontiguousarray(array).ravel() for array in kept)

    def save(self, path: Path, **beside: np.ndarray) -> None:
        """Write the arrays, and others beside them, with nothing that needs unpickling."""
        arrays = {f.name: np.asarray(getattr(self, f.name)) for f in fields(self)}
        np.savez_compressed(path, allow_pickle=False, **arrays, **beside)

    @classmethod
    def load(cls, path: Path) -> Trees:
        """Read what `save` wrote."""
        with np.load(path, allow_pickle=False) as file:
            arrays = {f.name: file[f.name] for f in fields(cls)}
        return cls(**{**arrays, "start": float(arrays["start"])})
