"""Decide whether two hits are one recording, with the cheapest test first.

Fingerprints, exact comparison of very short hits and cell-wise coherence settle most pairs. For the
rest a transfer model is fitted, and gradient-boosted trees score what it leaves. `catalog.training`
fits the trees on edited recordings and on real strokes; prediction needs numpy only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from catalog.matching.comparison.coherence import Coherence
from catalog.matching.comparison.pair_features import FEATURE_NAMES, MODELS, TransferFits
from catalog.matching.views import (
    BestPair,
    ChannelViews,
    compare_views,
    fingerprint_similarity,
    is_exact_copy,
)
from catalog.models import Verdict

CLASSIFIER_FILE = Path(__file__).with_name("classifier.npz")
CLASSIFIER_VERSION = 7  # raise when verdicts change, so that stored ones are computed again
MIN_SIMILARITY = 0.4  # of fingerprints; 1 of 15,884 edited copies has less
COPY_DB, COPY_LATE_DB, COPY_CELLS = 30.0, 25.0, 20  # real strokes reach 12.7 dB before any fit
MIN_COPY_CELLS = 4  # with the whole band beside them; real strokes of so few cells reach 16.8 dB
MIN_PEAK = 0.12  # of the partly whitened correlation; edited copies have 0.24 and more
# The rules on weak pairs lose 0, 0 and 4 of 15,884 edited copies that the full cascade finds.
WEAK_PEAK, WEAK_DB = 0.3, 4.0  # both, for few cells; eight in ten pairs of strokes have less
WEAK_CELLS = 8  # from so many cells on `WEAK_DB` alone decides
WEAK_SIMILARITY, WEAK_DISSIMILAR_DB = 0.55, 5.0  # stricter where fingerprints differ more
# Strokes of a glass, a bell or a tom agree in every cell that one mode fills, so the part that
# nothing explains decides as well: of another stroke the same few modes remain, of a coded copy
# noise that is spread over many frequencies. Of edited copies 3 in 1,000 are not sure by it.
TONAL_BINS = 100.0  # frequency bins that hold the energy, added over the segments
EXPLAINED_DB, CODER_SPREAD = 21.0, 2.5  # other strokes have up to 19.9 dB and 2.1
# Limits on the fits, on 7,728 edited copies (2,230 of them, mostly driven, for the last one).
FITTED_CELLS, FITTED_DB = 8, 4.0  # after one linear fit copies have 4.5 dB and more; none is lost
LINEAR_FIT_LOGIT = -5.0  # after one linear fit; 3 copies are lost
CERTAIN_LOGIT = 9.0  # no pair of other strokes in 14 unseen sets of drums reaches 8.1
NONLINEAR_FIT_LOGIT = -2.5  # after a nonlinear fit too; copies have 0.6 and more, none is lost


@dataclass(frozen=True, eq=False)
class BoostedTrees:
    """Binary decision trees whose leaf values add up to a logit.

    All arrays have shape (n_trees, n_nodes); node 0 is the root.
    """

    feature: np.ndarray  # int, column that a node tests, -1 for a leaf
    threshold: np.ndarray  # float, values up to it go left
    left: np.ndarray  # int, child node
    right: np.ndarray  # int, child node
    missing_left: np.ndarray  # bool, whether NaN goes left
    value: np.ndarray  # float, of a leaf
    baseline: float  # logit before any tree

    def logit(self, rows: np.ndarray) -> np.ndarray:
        """Return the sum of all trees for each row of features; NaN marks a missing one."""
        rows = np.asarray(rows, np.float64)
        features, thresholds, missing_left, children, leaf_values = self._flat
        n_trees, n_nodes = self.feature.shape
        node = np.tile(np.arange(0, n_trees * n_nodes, n_nodes), len(rows))
        row_start = np.repeat(np.arange(0, rows.size, max(rows.shape[1], 1)), n_trees)
        values = rows.ravel()
        feature = features[node]
        while (feature >= 0).any():
            value = values[row_start + np.maximum(feature, 0)]
            goes_left = (value <= thresholds[node]) | (np.isnan(value) & missing_left[node])
            node = children[2 * node + goes_left]
            feature = features[node]
        per_tree = leaf_values[node].reshape(len(rows), n_trees)
        return np.asarray(per_tree.sum(axis=1) + self.baseline)

    @cached_property
    def _flat(self) -> tuple[np.ndarray, ...]:
        """Feature, threshold, missing_left, children and value of all trees in one row each.

        The children of node `i` are at `2 i` (right) and `2 i + 1` (left); a leaf is its own child.
        """
        n_trees, n_nodes = self.feature.shape
        node = np.arange(n_trees * n_nodes).reshape(n_trees, n_nodes)
        is_leaf, root = self.feature < 0, node[:, :1]
        children = [np.where(is_leaf, node, root + side) for side in (self.right, self.left)]
        arrays = (
            self.feature, self.threshold, self.missing_left, np.stack(children, axis=-1), self.value
        )  # fmt: skip
        return tuple(np.ascontiguousarray(array).ravel() for array in arrays)


@dataclass(frozen=True, eq=False)
class Classifier:
    """Trees and the logits from which a pair is a copy, and from which it may be one."""

    trees: BoostedTrees
    copy_logit: float  # lowest logit of `Verdict.COPY`
    unsure_logit: float  # lowest logit of `Verdict.UNSURE`

    def verdict(self, logit: float) -> Verdict:
        """Return the verdict for a logit."""
        if logit >= self.copy_logit:
            return Verdict.COPY
        return Verdict.UNSURE if logit >= self.unsure_logit else Verdict.OTHER

    def save(self, path: Path) -> None:
        """Write all arrays to an npz file that needs no unpickling."""
        arrays = {f.name: np.asarray(getattr(self.trees, f.name)) for f in fields(BoostedTrees)}
        limits = {"copy_logit": self.copy_logit, "unsure_logit": self.unsure_logit}
        np.savez_compressed(path, allow_pickle=False, **arrays, **limits)


@lru_cache(maxsize=1)
def load_classifier(path: Path = CLASSIFIER_FILE) -> Classifier:
    """Load the classifier that is shipped with the package, or another that was saved."""
    with np.load(path, allow_pickle=False) as file:
        arrays = {f.name: file[f.name] for f in fields(BoostedTrees)}
        limits = float(file["copy_logit"]), float(file["unsure_logit"])
    return Classifier(BoostedTrees(**{**arrays, "baseline": float(arrays["baseline"])}), *limits)


@dataclass(frozen=True)
class Classification:
    """Result of comparing the samples of two hits."""

    verdict: Verdict
    share: float  # energy that the two have in common, 0 to 1, after the fit
    logit: float  # score of the classifier, infinite where it was not needed


EXACT_COPY = Classification(Verdict.COPY, 1.0, math.inf)
DISSIMILAR = Classification(Verdict.OTHER, 0.0, -math.inf)


def classify_pair(first: ChannelViews, second: ChannelViews) -> Classification:
    """Decide whether two hits are one recording; see `classify_pairs`."""
    return classify_pairs([(first, second)])[0]


def classify_pairs(pairs: Sequence[tuple[ChannelViews, ChannelViews]]) -> list[Classification]:
    """Decide for each pair whether its two hits are one recording.

    A batch of some hundred pairs takes four fifths of the time of single calls.
    """
    similarity = fingerprint_similarity(pairs).tolist()
    results = [EXACT_COPY if is_exact_copy(*pair) else DISSIMILAR for pair in pairs]
    remaining = [
        index
        for index, result in enumerate(results)
        if result is not EXACT_COPY and similarity[index] >= MIN_SIMILARITY
    ]
    best_pairs = compare_views([pairs[index] for index in remaining])
    for index, best in zip(remaining, best_pairs, strict=True):
        results[index] = _classify_aligned(best, similarity[index])
    return results


def _classify_aligned(best: BestPair, similarity: float) -> Classification:
    share = _common_share(best.coherence.score_db)
    if _is_clear_copy(best.coherence):
        return Classification(Verdict.COPY, share, math.inf)
    different = Classification(Verdict.OTHER, share, -math.inf)
    if _is_clearly_different(best.coherence, similarity):
        return different
    fits = TransferFits(*best)
    for n_fits, min_logit in ((1, LINEAR_FIT_LOGIT), (2, NONLINEAR_FIT_LOGIT)):
        features = fits.features(n_fits)
        result = classify_features(features)
        if result.logit < min_logit or _is_poor_fit(features):
            return different
        if result.verdict == Verdict.COPY and _is_explained(fits, n_fits):
            return result
    result = classify_features(fits.features())
    if result.verdict == Verdict.COPY and not _is_explained(fits):
        return replace(result, verdict=Verdict.UNSURE)
    return result


def classify_features(features: np.ndarray) -> Classification:
    """Score one row of features, shape (len(FEATURE_NAMES),), by the shipped classifier."""
    classifier = load_classifier()
    logit = float(classifier.trees.logit(features[None])[0])
    mean_db = features[FEATURE_NAMES.index("mean_db")]
    share = _common_share(float(np.nan_to_num(mean_db)))
    return Classification(classifier.verdict(logit), share, logit)


def _common_share(score_db: float) -> float:
    return 1.0 - 10.0 ** (-score_db / 10.0)


def _is_clear_copy(coherence: Coherence) -> bool:
    """Return whether the coherence alone proves a copy."""
    if coherence.n_cells < COPY_CELLS:  # a short or dull hit: the whole band must agree as well
        has_evidence = coherence.n_cells >= MIN_COPY_CELLS and coherence.wideband_db >= COPY_DB
        return has_evidence and coherence.score_db >= COPY_DB and coherence.late_db >= COPY_LATE_DB
    late_db = COPY_DB if np.isnan(coherence.late_db) else coherence.late_db
    return coherence.score_db >= COPY_DB and late_db >= COPY_LATE_DB


def _is_clearly_different(coherence: Coherence, similarity: float) -> bool:
    """Return whether no fit is worth its time, which is ten times that of the comparison."""
    if coherence.peak < MIN_PEAK:
        return True
    if coherence.n_cells < WEAK_CELLS:
        return coherence.peak < WEAK_PEAK and coherence.score_db < WEAK_DB
    limit_db = WEAK_DB if similarity >= WEAK_SIMILARITY else WEAK_DISSIMILAR_DB
    return coherence.score_db < limit_db


def _is_explained(fits: TransferFits, n_fits: int = len(MODELS)) -> bool:
    """Return whether a tonal pair leaves too little for another stroke; True for other pairs."""
    if fits.n_strong_bins() >= TONAL_BINS:
        return True
    remainder = fits.remainder(n_fits)
    return remainder.below_db >= EXPLAINED_DB or remainder.spread >= CODER_SPREAD


def _is_poor_fit(features: np.ndarray) -> bool:
    """Return whether a fit leaves so much that no other fit makes the pair a copy."""
    n_cells, in_phase_db = (features[FEATURE_NAMES.index(n)] for n in ("n_cells", "in_phase_db"))
    return bool(n_cells >= FITTED_CELLS and in_phase_db < FITTED_DB)
