"""Fit the classifier of pairs, with its limits from drums that were held out of the fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from catalog.matching.classifier import BoostedTrees, Classifier
from catalog.matching.pair_features import FEATURE_NAMES
from catalog.training.labels import without_microphone
from catalog.training.pairs import LabelledPair

N_TREES, N_LEAVES, LEARNING_RATE, MIN_LEAF, L2 = 200, 8, 0.08, 40, 1.0
FALSE_SHARE = 0.0005  # of other strokes that may pass as copies, half of what is allowed
UNSURE_SHARE = 0.01  # of other strokes that may be unsure
N_FOLDS = 6
UNCONSTRAINED = {"n_cells", "high_share", "overlap_s", "gain_spread_db"}
MONOTONIC = frozenset(FEATURE_NAMES) - UNCONSTRAINED  # higher values never lower the logit


def fit_classifier(
    pairs: Sequence[LabelledPair], *, seed: int = 0
) -> tuple[Classifier, np.ndarray]:
    """Fit the trees on all pairs, and the limits on held-out pairs of undulled strokes.

    Parameters
    ----------
    seed : int, of the folds

    Returns
    -------
    Classifier, and held-out logits, shape (n_pairs,)
    """
    features = np.array([pair.features for pair in pairs])
    is_copy = np.array([pair.is_copy for pair in pairs])
    is_dull = np.array([pair.is_dull for pair in pairs])
    drums = np.array([without_microphone(pair.drum) for pair in pairs])
    logits = held_out_logits(features, is_copy, drums, seed=seed)
    others = logits[~is_copy & ~is_dull]
    limits = limit_reached_by(others, FALSE_SHARE), limit_reached_by(others, UNSURE_SHARE)
    trees = fit_trees(features, is_copy, pair_weights(is_copy, drums))
    return Classifier(trees, *limits), logits


def fit_trees(features: np.ndarray, is_copy: np.ndarray, weights: np.ndarray) -> BoostedTrees:
    """Fit gradient-boosted trees in which better agreement never lowers the logit.

    Parameters
    ----------
    features : np.ndarray, shape (n, len(FEATURE_NAMES))
    is_copy : np.ndarray, bool, shape (n,)
    weights : np.ndarray, shape (n,)
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
    """Copy the arrays of a fitted model.

    Parameters
    ----------
    model : sklearn.ensemble.HistGradientBoostingClassifier, of two classes
    """
    node_arrays = [tree[0].nodes for tree in model._predictors]
    shape = (len(node_arrays), max(map(len, node_arrays)))
    trees = BoostedTrees(
        np.full(shape, -1, np.int16), np.zeros(shape), np.zeros(shape, np.int16),
        np.zeros(shape, np.int16), np.zeros(shape, bool), np.zeros(shape),
        float(np.ravel(model._baseline_prediction)[0]),
    )  # fmt: skip
    for row, nodes in enumerate(node_arrays):
        n, is_leaf = len(nodes), nodes["is_leaf"].astype(bool)
        trees.feature[row, :n] = np.where(is_leaf, -1, nodes["feature_idx"])
        trees.threshold[row, :n] = nodes["num_threshold"]
        trees.left[row, :n], trees.right[row, :n] = nodes["left"], nodes["right"]
        trees.missing_left[row, :n] = nodes["missing_go_to_left"]
        trees.value[row, :n] = np.where(is_leaf, nodes["value"], 0.0)
    return trees


def pair_weights(is_copy: np.ndarray, drums: np.ndarray) -> np.ndarray:
    """Weight pairs so that both classes count equally, and drums by the root of their pairs.

    Parameters
    ----------
    is_copy : np.ndarray, bool, shape (n,)
    drums : np.ndarray of str, shape (n,)

    Returns
    -------
    np.ndarray, float64, shape (n,), with mean 1
    """
    _, drum, count = np.unique(drums, return_inverse=True, return_counts=True)
    weight = count[drum] ** -0.5
    for label in (False, True):
        weight[is_copy == label] *= 0.5 / weight[is_copy == label].sum()
    return np.asarray(weight * len(weight))


def held_out_logits(
    features: np.ndarray, is_copy: np.ndarray, drums: np.ndarray, *, seed: int = 0
) -> np.ndarray:
    """Score each drum by trees that were fitted without its pairs.

    Parameters
    ----------
    features : np.ndarray, shape (n, len(FEATURE_NAMES))
    is_copy : np.ndarray, bool, shape (n,)
    drums : np.ndarray of str, shape (n,), see `without_microphone`

    Returns
    -------
    np.ndarray, float64, shape (n,)
    """
    names, drum = np.unique(drums, return_inverse=True)
    fold = (np.random.default_rng(seed).permutation(len(names)) % N_FOLDS)[drum]
    logits = np.zeros(len(features))
    for k in range(N_FOLDS):
        seen = fold != k
        weights = pair_weights(is_copy[seen], drums[seen])
        logits[~seen] = fit_trees(features[seen], is_copy[seen], weights).logit(features[~seen])
    return logits


def limit_reached_by(logits: np.ndarray, share: float) -> float:
    """Return the lowest limit that at most this share of the logits reaches.

    It is the next float above one of the logits: nothing is interpolated between two of them.

    Parameters
    ----------
    logits : np.ndarray, shape (n,)
    share : float, 0 to 1
    """
    highest_below = np.sort(logits)[::-1][int(share * len(logits))]
    return float(np.nextafter(highest_below, np.inf))


def print_held_out(
    pairs: Sequence[LabelledPair], logits: np.ndarray, classifier: Classifier
) -> None:
    """Print which copies are found and how many other strokes pass on held-out drums.

    Parameters
    ----------
    logits : np.ndarray, shape (n_pairs,), held out
    classifier : Classifier, for its limits
    """
    is_copy, is_dull = (np.array([getattr(p, n) for p in pairs]) for n in ("is_copy", "is_dull"))
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
