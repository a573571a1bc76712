"""Ranks against a slow plain search."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.search.neighbors import rank_rows


@given(
    distances=st.lists(st.sampled_from([0.0, 0.25, 0.5, 1.0, 2.0]), min_size=1, max_size=40),
    n=st.one_of(st.none(), st.integers(1, 50)),
    seed=st.integers(0, 99),
)
@settings(deadline=None)
def test_ranks_are_those_of_sorting_everything_ties_by_id(distances, n, seed):
    rng = np.random.default_rng(seed)
    ids = rng.permutation(len(distances) * 3)[: len(distances)]
    allowed = rng.random(len(distances)) < 0.8
    pairs = sorted((d, int(i)) for d, i, ok in zip(distances, ids, allowed, strict=True) if ok)
    rows = rank_rows(ids, np.array(distances), allowed=allowed, n=n)
    assert [(distances[row], ids[row]) for row in rows] == pairs[:n]


@pytest.mark.parametrize("n", [1, 2, None])
def test_twins_keep_the_order_of_their_ids_whatever_rounding_says(n):
    distances = np.array([0.5357756551939505, 0.9, 0.5357756575066233])
    ids = np.array([270, 3, 68])
    rows = rank_rows(ids, distances, allowed=np.ones(3, bool), n=n)
    assert ids[rows].tolist() == [68, 270, 3][:n]


@pytest.mark.parametrize("n", [0, -1])
def test_asking_for_none_is_refused(n):
    with pytest.raises(ParameterError, match="at least 1"):
        rank_rows(np.arange(3), np.zeros(3), allowed=np.ones(3, bool), n=n)
