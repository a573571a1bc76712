"""The rough pass rules out nothing that is among the nearest: held against one exact pass."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.search.neighbors import MIN_HITS_PER_NEIGHBOR, prefilter_similar, prefilter_strokes
from catalog.search.spaces import Spaces, similar_distances_to, stroke_distances


def crowded_spaces(n: int, *, spread: float, far: float, seed: int, n_strokes: int = 24) -> Spaces:
    """Points far from the origin and close together, with copies: hard for single precision."""
    rng = np.random.default_rng(seed)
    strokes, alike = (
        (far + spread * rng.normal(size=(n, d))).astype(np.float32) for d in (n_strokes, 60)
    )
    strokes[n // 2] = strokes[3]
    alike[n // 2] = alike[3]
    roles = rng.dirichlet(np.full(20, 0.2), size=n).astype(np.float32)
    return Spaces(np.arange(n, dtype=np.int64), strokes, alike, roles, 0.9)


@pytest.mark.parametrize(("spread", "far"), [(1.0, 0.0), (1.0, 30.0), (1e-3, 100.0), (0.0, 5.0)])
@pytest.mark.parametrize("n", [1, 10])
@pytest.mark.parametrize("n_strokes", [24, 90])
def test_the_nearest_are_all_on_the_short_list(spread, far, n, n_strokes):
    spaces = crowded_spaces(3000, spread=spread, far=far, seed=n, n_strokes=n_strokes)
    allowed = np.arange(3000) % 7 != 3
    for row in (3, 1500, 2999):
        asked = (spaces.acoustic[row], spaces.roles[row])
        for exact, rows in (
            (stroke_distances(spaces, row), prefilter_strokes(spaces, row, allowed=allowed, n=n)),
            (
                similar_distances_to(spaces, *asked),
                prefilter_similar(spaces, *asked, allowed=allowed, n=n),
            ),
        ):
            cut = np.sort(exact[allowed])[n - 1]
            assert set(np.flatnonzero(allowed & (exact <= cut))) <= set(rows)
            assert allowed[rows].all()


def test_the_short_list_is_short_where_hits_differ_and_whole_where_few_are_asked_of_few():
    spaces = crowded_spaces(20_000, spread=1.0, far=0.0, seed=0)
    allowed = np.ones(20_000, bool)
    asked = (spaces.acoustic[5], spaces.roles[5])
    assert len(prefilter_strokes(spaces, 5, allowed=allowed, n=10)) < 100
    assert len(prefilter_similar(spaces, *asked, allowed=allowed, n=10)) < 1000
    for n in (None, 20_000 // MIN_HITS_PER_NEIGHBOR):
        assert len(prefilter_strokes(spaces, 5, allowed=allowed, n=n)) == 20_000


def test_twins_at_the_end_of_the_list_are_both_on_it():
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
