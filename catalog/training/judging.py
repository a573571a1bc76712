"""Fits the judge of copies and the space of its candidates, and tells how they do unseen."""

from __future__ import annotations

from typing import Any

import numpy as np

from catalog.features.embedding import standardize_embeddings
from catalog.matching.candidates import CandidateSpace
from catalog.matching.classifier import BoostedTrees
from catalog.matching.pair_features import FEATURE_NAMES

N_ROUNDS, N_LEAVES, RATE, MIN_LEAF = 200, 8, 0.08, 40
FALSE_SHARE = 0.0005  # of the hardest pairs that may pass, half of what is allowed
UNSURE_SHARE = 0.01  # of them that may be called not sure
N_FOLDS = 6
LEVELLING = {"n_cells", "high_share", "overlap_s", "gain_spread_db"}
GROWING = frozenset(FEATURE_NAMES) - LEVELLING  # more of these is never less a copy
N_SPACE_DIMS, N_SPACE_FOLDS = 48, 3
SPACE_RIDGE = 1.0  # of the mean spread; with 0.05 recordings not seen lay twice as far apart
REACH_SHARE = 0.985  # of edited copies that lie within reach, of recordings left out of the fit


def fit_trees(evidence: np.ndarray, is_copy: np.ndarray, weights: np.ndarray) -> BoostedTrees:
    """Fit boosted trees that never call a better agreement less a copy.

    Parameters
    ----------
    evidence : np.ndarray, shape (n, len(FEATURE_NAMES))
    is_copy : np.ndarray, bool, shape (n,)
    weights : np.ndarray, shape (n,)

    Returns
    -------
    BoostedTrees
    """
    from sklearn.ensemble import HistGradientBoostingClassifier

    model = HistGradientBoostingClassifier(
        max_iter=N_ROUNDS,
        max_leaf_nodes=N_LEAVES,
        learning_rate=RATE,
        min_samples_leaf=MIN_LEAF,
        l2_regularization=1.0,
        monotonic_cst=[int(name in GROWING) for name in FEATURE_NAMES],
        early_stopping=False,
        random_state=0,
    ).fit(evidence, is_copy, sample_weight=weights)
    return as_trees(model)


def as_trees(model: Any) -> BoostedTrees:
    """Take the arrays out of a fitted model.

    Parameters
    ----------
    model : sklearn.ensemble.HistGradientBoostingClassifier, of two classes

    Returns
    -------
    BoostedTrees
    """
    grown = [tree[0].nodes for tree in model._predictors]
    shape = (len(grown), max(map(len, grown)))
    trees = BoostedTrees(
        np.full(shape, -1, np.int16), np.zeros(shape), np.zeros(shape, np.int16),
        np.zeros(shape, np.int16), np.zeros(shape, bool), np.zeros(shape),
        float(np.ravel(model._baseline_prediction)[0]),
    )  # fmt: skip
    for row, nodes in enumerate(grown):
        n = len(nodes)
        leaf = nodes["is_leaf"].astype(bool)
        trees.feature[row, :n] = np.where(leaf, -1, nodes["feature_idx"])
        trees.threshold[row, :n] = nodes["num_threshold"]
        trees.left[row, :n], trees.right[row, :n] = nodes["left"], nodes["right"]
        trees.missing_left[row, :n] = nodes["missing_go_to_left"]
        trees.value[row, :n] = np.where(leaf, nodes["value"], 0.0)
    return trees


def pair_weights(is_copy: np.ndarray, drums: np.ndarray) -> np.ndarray:
    """Weight of each pair: both answers count alike, and drums by the root of their pairs.

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
    for answer in (False, True):
        weight[is_copy == answer] *= 0.5 / weight[is_copy == answer].sum()
    return np.asarray(weight * len(weight))


def unseen_logits(
    evidence: np.ndarray, is_copy: np.ndarray, drums: np.ndarray, *, seed: int = 0
) -> np.ndarray:
    """Judge each drum by trees that saw no pair of it, whatever the microphone.

    Parameters
    ----------
    evidence : np.ndarray, shape (n, len(FEATURE_NAMES))
    is_copy : np.ndarray, bool, shape (n,)
    drums : np.ndarray of str, shape (n,), as "source|kit|instrument|..."
    seed : int

    Returns
    -------
    np.ndarray, float64, shape (n,)
    """
    names = np.unique(drums)
    fold_of = dict(
        zip(names, np.random.default_rng(seed).permutation(len(names)) % N_FOLDS, strict=True)
    )
    fold = np.array([fold_of[name] for name in drums])
    logits = np.zeros(len(evidence))
    for k in range(N_FOLDS):
        seen = fold != k
        trees = fit_trees(evidence[seen], is_copy[seen], pair_weights(is_copy[seen], drums[seen]))
        logits[~seen] = trees.logit(evidence[~seen])
    return logits


def limit_passed_by(logits: np.ndarray, share: float) -> float:
    """Give the least limit that at most this share reaches; between two values none is guessed.

    Parameters
    ----------
    logits : np.ndarray, shape (n,)
    share : float, 0 to 1

    Returns
    -------
    float
    """
    highest_kept_out = np.sort(logits)[::-1][int(share * len(logits))]
    return float(np.nextafter(highest_kept_out, np.inf))


def fit_space(
    embeddings: np.ndarray, originals: np.ndarray, edited: np.ndarray, owner: np.ndarray
) -> CandidateSpace:
    """Fit the space in which edits change little.

    Parameters
    ----------
    embeddings : np.ndarray, shape (n, N_EMBEDDING), of different recordings
    originals, edited : np.ndarray, shape (m, N_EMBEDDING), pairs
    owner : np.ndarray of int, shape (m,), the recording of each pair

    Returns
    -------
    CandidateSpace
    """
    mean = embeddings.mean(axis=0)
    scale = embeddings.std(axis=0) + 1e-3
    moved = standardize_embeddings(edited, mean, scale)
    moved = moved - standardize_embeddings(originals, mean, scale)
    moved = moved.astype(np.float64)
    rows = standardize_embeddings(embeddings, mean, scale).astype(np.float64)
    far = np.zeros(len(moved))
    for fold in range(N_SPACE_FOLDS):
        left_out = owner % N_SPACE_FOLDS == fold
        far[left_out] = np.linalg.norm(moved[left_out] @ _axes(rows, moved[~left_out]), axis=1)
    return CandidateSpace(mean, scale, _axes(rows, moved), float(np.quantile(far, REACH_SHARE)))


def _axes(rows: np.ndarray, moved: np.ndarray) -> np.ndarray:
    """Directions in which recordings lie far apart and edits move them little."""
    from scipy.linalg import eigh

    within = moved.T @ moved / len(moved)
    within += SPACE_RIDGE * np.trace(within) / len(within) * np.eye(len(within))
    last = len(within) - 1
    _, vectors = eigh(np.cov(rows.T), within, subset_by_index=[last - N_SPACE_DIMS + 1, last])
    return np.asarray(vectors[:, ::-1])
