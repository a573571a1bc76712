"""Fit what finds copies: the classifier of pairs and the space in which candidates are near."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from catalog.features.embedding import standardize_embeddings
from catalog.matching.candidates import CandidateSpace
from catalog.matching.comparison.pair_features import FEATURE_NAMES
from catalog.matching.verdict import BoostedTrees, Classifier
from catalog.training.labels import column, without_microphone
from catalog.training.pairs import LabelledPair

N_TREES, N_LEAVES, LEARNING_RATE, MIN_LEAF, L2 = 200, 8, 0.08, 40, 1.0
FALSE_SHARE = 0.0005  # of other strokes that may pass as copies, half of what is allowed
UNSURE_SHARE = 0.01  # of other strokes that may be unsure
N_FOLDS, SEED = 6, 0
SPACE_DIMS, SPACE_FOLDS = 48, 3
SPACE_RIDGE = 1.0  # of the mean spread by edits; at 0.05 held-out copies were twice as far apart
REACH_SHARE = 0.985  # of the held-out edited copies that are within reach
UNCONSTRAINED = {"n_cells", "high_share", "overlap_s", "gain_spread_db"}
MONOTONIC = frozenset(FEATURE_NAMES) - UNCONSTRAINED  # higher values never lower the logit


def fit_classifier(pairs: Sequence[LabelledPair]) -> tuple[Classifier, np.ndarray]:
    """Fit the trees on all pairs, and the limits on held-out pairs of strokes not made dull.

    Return the classifier and the held-out logits, shape (n_pairs,).
    """
    features, is_copy, is_dull = (column(pairs, n) for n in ("features", "is_copy", "is_dull"))
    drums = np.array([without_microphone(pair.drum) for pair in pairs])
    logits = held_out_logits(features, is_copy, drums)
    others = logits[~is_copy & ~is_dull]
    limits = limit_reached_by(others, FALSE_SHARE), limit_reached_by(others, UNSURE_SHARE)
    trees = fit_trees(features, is_copy, pair_weights(is_copy, drums))
    return Classifier(trees, *limits), logits


def fit_trees(features: np.ndarray, is_copy: np.ndarray, weights: np.ndarray) -> BoostedTrees:
    """Fit gradient-boosted trees in which better agreement never lowers the logit.

    `features` has shape (n, len(FEATURE_NAMES)), `is_copy` and `weights` have shape (n,).
    """
    from sklearn.ensemble import HistGradientBoostingClassifier

    model = HistGradientBoostingClassifier(
        max_iter=N_TREES,
        max_leaf_nodes=N_LEAVES,
        learning_rate=LEARNING_RATE,
        min_samples_leaf=MIN_LEAF,
        l2_regularization=L2,
        monotonic_cst=[int(name in MONOTONIC) for name in FEATURE_NAMES],
        early_stopping=False,
        random_state=0,
    ).fit(features, is_copy, sample_weight=weights)
    return as_trees(model)


def as_trees(model: Any) -> BoostedTrees:
    """Copy the arrays of a fitted `HistGradientBoostingClassifier` of two classes."""
    node_arrays = [tree[0].nodes for tree in model._predictors]
    nodes = np.zeros((len(node_arrays), max(map(len, node_arrays))), node_arrays[0].dtype)
    nodes["is_leaf"] = True
    for row, of_tree in zip(nodes, node_arrays, strict=True):
        row[: len(of_tree)] = of_tree
    is_leaf = nodes["is_leaf"].astype(bool)
    return BoostedTrees(
        np.where(is_leaf, -1, nodes["feature_idx"]).astype(np.int16), nodes["num_threshold"],
        nodes["left"].astype(np.int16), nodes["right"].astype(np.int16),
        nodes["missing_go_to_left"].astype(bool), np.where(is_leaf, nodes["value"], 0.0),
        float(np.ravel(model._baseline_prediction)[0]),
    )  # fmt: skip


def pair_weights(is_copy: np.ndarray, drums: np.ndarray) -> np.ndarray:
    """Weight pairs so that both classes count equally, and drums by the root of their pairs.

    All arrays have shape (n,); the mean weight is 1.
    """
    _, drum, count = np.unique(drums, return_inverse=True, return_counts=True)
    weight = count[drum] ** -0.5
    for label in (False, True):
        weight[is_copy == label] *= 0.5 / weight[is_copy == label].sum()
    return np.asarray(weight * len(weight))


def held_out_logits(features: np.ndarray, is_copy: np.ndarray, drums: np.ndarray) -> np.ndarray:
    """Score each drum by trees that were fitted without its pairs; shape (n,).

    `features` has shape (n, len(FEATURE_NAMES)), `drums` holds names `without_microphone`.
    """
    names, drum = np.unique(drums, return_inverse=True)
    fold = (np.random.default_rng(SEED).permutation(len(names)) % N_FOLDS)[drum]
    logits = np.zeros(len(features))
    for k in range(N_FOLDS):
        seen = fold != k
        weights = pair_weights(is_copy[seen], drums[seen])
        logits[~seen] = fit_trees(features[seen], is_copy[seen], weights).logit(features[~seen])
    return logits


def limit_reached_by(logits: np.ndarray, share: float) -> float:
    """Return the lowest limit that at most this share (0 to 1) of the logits reaches.

    It is the next float above one of the logits: nothing is interpolated between two of them.
    """
    highest_below = np.sort(logits)[::-1][int(share * len(logits))]
    return float(np.nextafter(highest_below, np.inf))


def fit_space(pairs: Sequence[LabelledPair]) -> CandidateSpace:
    """Fit the space of candidates on the pairs that have embeddings: edited copies.

    It is far between recordings and near between a hit and its edits.
    """
    both = [pair.embeddings for pair in pairs if pair.embeddings is not None]
    originals, edited = (np.stack([p[side] for p in both]).astype(np.float32) for side in (0, 1))
    recordings, owner = np.unique(originals, axis=0, return_inverse=True)
    mean, scale = recordings.mean(axis=0), recordings.std(axis=0) + 1e-3
    shift = standardize_embeddings(edited, mean, scale)
    shift = (shift - standardize_embeddings(originals, mean, scale)).astype(np.float64)
    rows = standardize_embeddings(recordings, mean, scale).astype(np.float64)
    distances = np.zeros(len(shift))
    for fold in range(SPACE_FOLDS):
        is_held_out = owner.ravel() % SPACE_FOLDS == fold
        axes = _fit_axes(rows, shift[~is_held_out])
        distances[is_held_out] = np.linalg.norm(shift[is_held_out] @ axes, axis=1)
    reach = float(np.quantile(distances, REACH_SHARE))
    return CandidateSpace(mean, scale, _fit_axes(rows, shift), reach)


def _fit_axes(rows: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Return generalized eigenvectors: large spread of the recordings over spread by edits."""
    from scipy.linalg import eigh

    within = shift.T @ shift / len(shift)
    within += SPACE_RIDGE * np.trace(within) / len(within) * np.eye(len(within))
    last = len(within) - 1
    _, vectors = eigh(np.cov(rows.T), within, subset_by_index=[last - SPACE_DIMS + 1, last])
    return np.asarray(vectors[:, ::-1])


def print_held_out(
    pairs: Sequence[LabelledPair], logits: np.ndarray, classifier: Classifier
) -> None:
    """Print how many copies reach the limits of the classifier, and how many other strokes do.

    `logits` are the held-out ones of the pairs.
    """
    is_copy, is_dull = column(pairs, "is_copy"), column(pairs, "is_dull")
    limits = {"copy": classifier.copy_logit, "copy or unsure": classifier.unsure_logit}
    for heading, part in (("as recorded", ~is_dull), ("made dull", is_dull)):
        same, other = logits[part & is_copy], logits[part & ~is_copy]
        print(f"{heading}: {len(same)} edited copies, {len(other)} pairs of other strokes")
        for name, limit in limits.items():
            found, false = (same >= limit).mean(), (other >= limit).mean()
            print(f"{name}: logit {limit:.2f}, found {found:.4f}, other strokes {false:.5f}")
    for name in sorted({e for p in pairs if p.is_copy and not p.is_dull for e in p.edits}):
        edited = is_copy & ~is_dull & np.array([name in pair.edits for pair in pairs])
        found = (logits[edited] >= classifier.copy_logit).mean()
        print(f"  {name:22} {edited.sum():5} {found:.3f}")
