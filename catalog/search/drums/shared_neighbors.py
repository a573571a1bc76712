"""Strokes of one drum have neighbors in common: rank the nearest hits by that as well.

Two hits are reciprocal neighbors if each is among the nearest of the other. The more of them two
hits share, the likelier they are strokes of one drum, whatever their distance [1]_. It is computed
among the nearest hits of a search, so nothing has to be kept when hits come or go.

References
----------
.. [1] Z. Zhong, L. Zheng, D. Cao and S. Li, "Re-ranking Person Re-identification with k-reciprocal
   Encoding", IEEE Conference on Computer Vision and Pattern Recognition, 2017, 3652-3661. The
   numbers of its sections 3.2 to 3.4 are the constants here.
"""

from __future__ import annotations

import numpy as np

POOL = 128  # nearest hits that are ranked again; more change no figure, see `tests/bench/drums.py`
N_NEAREST = 8  # whose reciprocity counts
N_AVERAGED = 3  # nearest, the hit itself among them, whose neighbors are averaged
OVERLAP = 2.0 / 3.0  # share of the neighbors of a neighbor from which they are included as well
DISTANCE_SHARE = 0.6  # of the distance that is kept
NO_SHARED = 2.0  # distance in the stroke space that having no neighbor in common counts as


def shared_distances(points: np.ndarray) -> np.ndarray:
    """Return how little the first hit shares its neighbors with each hit.

    Parameters
    ----------
    points : np.ndarray, shape (n, n_dims), coordinates in the stroke space

    Returns
    -------
    np.ndarray, float64, shape (n,), from 0 (the same neighbors) to 1 (none in common)
    """
    distances = pairwise_distances(np.asarray(points, np.float64))
    weights = neighbor_weights(distances)
    least = np.minimum(weights[0], weights).sum(axis=1)  # both sum to 1
    return 1.0 - least / (2.0 - least)


def rank_distances(distances: np.ndarray, shared: np.ndarray) -> np.ndarray:
    """Mix distances in the stroke space with `shared_distances`."""
    return DISTANCE_SHARE * distances + (1.0 - DISTANCE_SHARE) * NO_SHARED * shared


def neighbor_weights(distances: np.ndarray) -> np.ndarray:
    """Return for each hit the weights of its neighbors, shape (n, n); each row sums to 1.

    Parameters
    ----------
    distances : np.ndarray, shape (n, n), symmetric, 0 on the diagonal
    """
    order = _nearest_first(distances)
    is_mutual = _mutual(order, N_NEAREST)
    nearer = _mutual(order, round(N_NEAREST / 2))
    counts = nearer.sum(axis=1)
    is_included = is_mutual & (_count(is_mutual, nearer) > OVERLAP * counts)
    is_neighbor = is_mutual | (_reach(is_included, nearer))
    weights = np.exp(-distances) * is_neighbor
    weights /= weights.sum(axis=1, keepdims=True)
    return np.asarray(weights[order[:, :N_AVERAGED]].mean(axis=1))


def _count(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return how many true elements each row of `first` shares with each row of `second`."""
    return first.astype(np.float32) @ second.astype(np.float32)


def _reach(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return which elements are in any row of `second` that a row of `first` points to."""
    return first.astype(np.float32) @ second.astype(np.float32) > 0


def _nearest_first(distances: np.ndarray) -> np.ndarray:
    """Return the rows in the order of their distance from each row, itself first."""
    apart = distances.copy()
    np.fill_diagonal(apart, -1.0)
    return np.argsort(apart, axis=1, kind="stable")


def _mutual(order: np.ndarray, n: int) -> np.ndarray:
    """Return which pairs are each among the `n` nearest of the other; each hit is its own."""
    is_near = np.zeros(order.shape, bool)
    np.put_along_axis(is_near, order[:, : n + 1], True, axis=1)
    return is_near & is_near.T


def pairwise_distances(points: np.ndarray) -> np.ndarray:
    """Return the Euclidean distances between all points, shape (n, n), 0 on the diagonal."""
    squares = np.square(points).sum(axis=1)
    between = squares[:, None] + squares - 2.0 * points @ points.T
    distances = np.sqrt(np.maximum(between, 0.0))
    np.fill_diagonal(distances, 0.0)
    return np.asarray(distances)
