"""Pairs worth comparing: trees of random cuts against every distance, and their edges."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.matching import candidates as c
from catalog.matching.candidates import near_pairs

N_DIMS = 12


def cloud(n: int, *, n_copies: int, seed: int = 0) -> np.ndarray:
    """Points far apart, and at the end copies of the first ones, within 0.3 of them."""
    rng = np.random.default_rng(seed)
    points = rng.normal(0, 4.0, (n, N_DIMS))
    moved = rng.normal(0, 1.0, (n_copies, N_DIMS))
    moved *= 0.3 / np.linalg.norm(moved, axis=1, keepdims=True)
    return np.concatenate([points, points[:n_copies] + moved]).astype(np.float32)


def brute_force(points: np.ndarray, reach: float) -> set[tuple[int, int]]:
    far = np.linalg.norm(points[:, None] - points[None], axis=2)
    return {(i, j) for i, j in zip(*np.nonzero(far <= reach), strict=True) if i < j}


@pytest.mark.parametrize("n", [0, 1])
def test_nothing_to_compare_gives_no_pairs(n):
    assert near_pairs(np.zeros((n, N_DIMS))).shape == (0, 2)


def test_all_pairs_within_reach_are_found_where_every_distance_is_taken():
    points = cloud(300, n_copies=40)
    assert {tuple(pair) for pair in near_pairs(points).tolist()} == brute_force(points, 1.0)


def test_cuts_lose_no_copy(monkeypatch):
    points = cloud(3000, n_copies=300)
    found = {tuple(pair) for pair in near_pairs(points).tolist()}
    assert {(i, 3000 + i) for i in range(300)} <= found
    assert found <= brute_force(points[:, :], 1.0)


def test_the_nearest_pair_comes_first_and_each_once():
    points = cloud(2500, n_copies=50, seed=3)
    pairs = near_pairs(points)
    far = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    assert (np.diff(far) > -1e-3).all()  # distances from squares lose the last digits
    assert len(np.unique(pairs, axis=0)) == len(pairs)
    assert (pairs[:, 0] < pairs[:, 1]).all()


def test_many_equal_points_ask_for_few_pairs_each():
    pairs = near_pairs(np.zeros((500, N_DIMS)), n_nearest=4)
    assert len(pairs) <= 500 * 500
    assert set(pairs.ravel().tolist()) == set(range(500))


def test_a_space_of_other_numbers_is_refused(monkeypatch):
    from catalog.errors import StoreError

    monkeypatch.setattr(c, "PICTURE_VERSION", -1)
    c.load_space.cache_clear()
    with pytest.raises(StoreError, match="fitted on other numbers"):
        c.load_space()
    c.load_space.cache_clear()
