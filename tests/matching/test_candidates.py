"""Candidate pairs: random projection trees against all distances."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.errors import StoreError
from catalog.matching import candidates
from catalog.matching.candidates import find_candidate_pairs, load_space

N_DIMS = 12


def cloud(n: int, *, n_copies: int, seed: int = 0) -> np.ndarray:
    """Points far apart, and at the end copies of the first ones, within 0.3 of them."""
    rng = np.random.default_rng(seed)
    points = rng.normal(0, 4.0, (n, N_DIMS))
    moved = rng.normal(0, 1.0, (n_copies, N_DIMS))
    moved *= 0.3 / np.linalg.norm(moved, axis=1, keepdims=True)
    return np.concatenate([points, points[:n_copies] + moved]).astype(np.float32)


def brute_force(points: np.ndarray, reach: float) -> set[tuple[int, int]]:
    distances = np.linalg.norm(points[:, None] - points[None], axis=2)
    return {(i, j) for i, j in zip(*np.nonzero(distances <= reach), strict=True) if i < j}


def as_set(pairs: np.ndarray) -> set[tuple[int, ...]]:
    return {tuple(pair) for pair in pairs.tolist()}


@pytest.mark.parametrize("n", [0, 1])
def test_fewer_than_two_points_give_no_pairs(n):
    assert find_candidate_pairs(np.zeros((n, N_DIMS))).shape == (0, 2)


def test_small_libraries_get_all_pairs_within_reach():
    points = cloud(300, n_copies=40)
    assert as_set(find_candidate_pairs(points)) == brute_force(points, 1.0)


def test_trees_lose_no_copy_and_add_no_pair():
    points = cloud(3000, n_copies=300)
    pairs = as_set(find_candidate_pairs(points))
    assert {(i, 3000 + i) for i in range(300)} <= pairs
    assert pairs <= brute_force(points, 1.0)


def test_the_nearest_pair_comes_first_and_each_pair_once():
    points = cloud(2500, n_copies=50, seed=3)
    pairs = find_candidate_pairs(points)
    distances = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    assert (np.diff(distances) > -1e-3).all()  # rounding of distances computed from squares
    assert len(np.unique(pairs, axis=0)) == len(pairs)
    assert (pairs[:, 0] < pairs[:, 1]).all()


def test_every_one_of_many_equal_points_is_in_a_pair():
    pairs = find_candidate_pairs(np.zeros((500, N_DIMS)), n_neighbors=4)
    assert set(pairs.ravel().tolist()) == set(range(500))


def test_a_space_fitted_on_other_embeddings_is_refused(monkeypatch):
    monkeypatch.setattr(candidates, "EMBEDDING_VERSION", -1)
    load_space.cache_clear()
    with pytest.raises(StoreError, match="fitted on embeddings of another version"):
        load_space()
    load_space.cache_clear()
