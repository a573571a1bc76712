"""Neighbours against a float64 brute force and against scikit-learn's, ties included."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.search.neighbors import rank_rows
from catalog.search.spaces import Spaces, stroke_distances
from tests.oracles import nearest


def spaces_of(points: np.ndarray) -> Spaces:
    n = len(points)
    return Spaces(np.arange(n), points.astype(np.float32), points, np.zeros((n, 20)), 1.0)


def ranked(spaces: Spaces, row: int, n: int | None = None):
    allowed = np.arange(len(spaces.hit_ids)) != row
    distances = stroke_distances(spaces, row)
    rows = rank_rows(spaces.hit_ids, distances, allowed=allowed, n=n)
    return list(zip(spaces.hit_ids[rows].tolist(), distances[rows].tolist(), strict=True))


def points_with_ties() -> np.ndarray:
    rng = np.random.default_rng(5)
    points = rng.normal(size=(300, 24)).round(1)
    points[50], points[51], points[200] = points[7], points[7], points[7]
    return points.astype(np.float32)


def test_order_and_distances_equal_a_float64_brute_force():
    points = points_with_ties()
    spaces = spaces_of(points)
    for row in (0, 7, 50, 299):
        expected = nearest(points, row)
        found = ranked(spaces, row)
        assert [d for _, d in found] == pytest.approx([d for _, d in expected], rel=1e-6)
        assert [i for i, _ in found[:3]] == [i for i, _ in expected[:3]]


def test_distances_equal_scikit_learn():
    neighbors = pytest.importorskip("sklearn.neighbors")
    points = points_with_ties()
    index = neighbors.NearestNeighbors(n_neighbors=11, algorithm="kd_tree")
    theirs = index.fit(points.astype(float)).kneighbors(points[:20].astype(float))[0][:, 1:]
    ours = [[d for _, d in ranked(spaces_of(points), row, 10)] for row in range(20)]
    assert np.array(ours) == pytest.approx(theirs, rel=1e-5, abs=1e-6)


def test_two_hits_0_0084_apart_are_not_at_distance_0():
    """A squared-norm shortcut in float32 loses them at this distance from the origin."""
    points = np.full((2, 120), 30.0, np.float32)
    points[1, 0] += 0.0084
    assert ranked(spaces_of(points), 0)[0][1] == pytest.approx(0.0084, rel=1e-3)
