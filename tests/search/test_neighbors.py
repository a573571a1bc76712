"""The ranking and its prefilter against exhaustive search."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.search.neighbors import (
    MIN_HITS_PER_NEIGHBOR,
    prefilter_similar,
    prefilter_strokes,
    rank_rows,
)
from catalog.search.spaces import Spaces, similar_distances_to, stroke_distances


@given(
    distances=st.lists(st.sampled_from([0.0, 0.25, 0.5, 1.0, 2.0]), min_size=1, max_size=40),
    n=st.one_of(st.none(), st.integers(1, 50)),
    seed=st.integers(0, 99),
)
@settings(deadline=None)
def test_ranks_equal_a_full_sort_with_ties_by_id(distances, n, seed):
    rng = np.random.default_rng(seed)
    ids = rng.permutation(len(distances) * 3)[: len(distances)]
    allowed = rng.random(len(distances)) < 0.8
    pairs = sorted((d, int(i)) for d, i, ok in zip(distances, ids, allowed, strict=True) if ok)
    rows = rank_rows(ids, np.array(distances), allowed=allowed, n=n)
    assert [(distances[row], ids[row]) for row in rows] == pairs[:n]


@pytest.mark.parametrize("n", [1, 2, None])
def test_equal_hits_are_ranked_by_id_in_spite_of_rounding(n):
    distances = np.array([0.5357756551939505, 0.9, 0.5357756575066233])
    ids = np.array([270, 3, 68])
    rows = rank_rows(ids, distances, allowed=np.ones(3, bool), n=n)
    assert ids[rows].tolist() == [68, 270, 3][:n]


def test_the_better_mark_comes_first_among_equal_distances_only():
    distances, ids = np.array([0.5, 0.2, 0.5, 0.5]), np.array([1, 2, 3, 4])
    ranks = np.array([2, 3, 0, 2])
    rows = rank_rows(ids, distances, allowed=np.ones(4, bool), n=None, mark_ranks=ranks)
    assert ids[rows].tolist() == [2, 3, 1, 4]


@pytest.mark.parametrize("n", [0, -1])
def test_n_below_1_is_rejected(n):
    with pytest.raises(ParameterError, match="at least 1"):
        rank_rows(np.arange(3), np.zeros(3), allowed=np.ones(3, bool), n=n)


def crowded_spaces(n: int, *, spread: float, far: float, seed: int, n_strokes: int = 24) -> Spaces:
    """Points far from the origin and close together, with copies: hard for single precision."""
    rng = np.random.default_rng(seed)
    strokes, acoustic = (
        (far + spread * rng.normal(size=(n, d))).astype(np.float32) for d in (n_strokes, 60)
    )
    strokes[n // 2] = strokes[3]
    acoustic[n // 2] = acoustic[3]
    roles = rng.dirichlet(np.full(20, 0.2), size=n).astype(np.float32)
    return Spaces(np.arange(n, dtype=np.int64), strokes, acoustic, roles, 0.9)


@pytest.mark.parametrize(("spread", "far"), [(1.0, 0.0), (1.0, 30.0), (1e-3, 100.0), (0.0, 5.0)])
@pytest.mark.parametrize("n", [1, 10])
@pytest.mark.parametrize("n_strokes", [24, 90])
def test_the_prefilter_keeps_all_nearest_rows(spread, far, n, n_strokes):
    spaces = crowded_spaces(3000, spread=spread, far=far, seed=n, n_strokes=n_strokes)
    allowed = np.arange(3000) % 7 != 3
    for row in (3, 1500, 2999):
        point = (spaces.acoustic[row], spaces.roles[row])
        for exact, rows in (
            (stroke_distances(spaces, row), prefilter_strokes(spaces, row, allowed=allowed, n=n)),
            (
                similar_distances_to(spaces, *point),
                prefilter_similar(spaces, *point, allowed=allowed, n=n),
            ),
        ):
            cut = np.sort(exact[allowed])[n - 1]
            assert set(np.flatnonzero(allowed & (exact <= cut))) <= set(rows)
            assert allowed[rows].all()


def test_the_prefilter_keeps_few_rows_or_all_where_it_is_not_worthwhile():
    spaces = crowded_spaces(20_000, spread=1.0, far=0.0, seed=0)
    allowed = np.ones(20_000, bool)
    point = (spaces.acoustic[5], spaces.roles[5])
    assert len(prefilter_strokes(spaces, 5, allowed=allowed, n=10)) < 100
    assert len(prefilter_similar(spaces, *point, allowed=allowed, n=10)) < 1000
    for n in (None, 20_000 // MIN_HITS_PER_NEIGHBOR):
        assert len(prefilter_strokes(spaces, 5, allowed=allowed, n=n)) == 20_000


def test_the_prefilter_keeps_both_of_two_nearly_equal_last_rows():
    spaces = crowded_spaces(3000, spread=1.0, far=0.0, seed=2, n_strokes=90)
    allowed = np.ones(3000, bool)
    allowed[5] = False
    exact = stroke_distances(spaces, 5)
    last = int(np.argsort(np.where(allowed, exact, np.inf), kind="stable")[9])
    twin = 17 if last != 17 else 18
    spaces.strokes[twin] = spaces.strokes[last] * np.float32(1 + 1e-7)
    again = Spaces(spaces.hit_ids, spaces.strokes, spaces.acoustic, spaces.roles, 0.9)
    rows = prefilter_strokes(again, 5, allowed=allowed, n=10)
    assert {last, twin} <= set(rows)
