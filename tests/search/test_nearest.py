"""Alternates against a plain ranking that computes every distance, with and without a prefilter."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from catalog.search.drums.shared_neighbors import POOL, rank_distances
from catalog.search.nearest import find_alternates
from catalog.search.spaces import Spaces
from tests.kit.drums import make_hit
from tests.search.drums.test_shared_neighbors import plain_shared


class Hits(list):
    def at(self, rows):
        return [self[row] for row in rows]


def make_table(n, *, n_dims=12, seed=0, named=()):
    """Return a table of `n` hits in clusters of ten; every seventh is marked no good."""
    rng = np.random.default_rng(seed)
    centers = rng.normal(size=(n // 10 + 1, n_dims))
    points = centers[np.arange(n) // 10] + 0.3 * rng.normal(size=(n, n_dims))
    spaces = Spaces(
        np.arange(100, 100 + n), points.astype(np.float32), points.astype(np.float32),
        np.zeros((n, 20), np.float32), 1.0,
    )  # fmt: skip
    return SimpleNamespace(
        spaces=spaces,
        coordinates=SimpleNamespace(strokes=spaces),
        hit_ids=spaces.hit_ids,
        hits=Hits(make_hit(hit_id) for hit_id in range(100, 100 + n)),
        mark_ranks=np.zeros(n, int),
        allowed=lambda **_: np.arange(n) % 7 != 3,
        same_drum=lambda row: np.array(sorted({row, *named}), int),
    )


def plain_ranking(table, row):
    """Return ids by distance, the nearest `POOL` again by shared neighbors, from all distances."""
    points = table.spaces.strokes.astype(np.float64)
    allowed = table.allowed()
    allowed[row] = False
    distances = np.linalg.norm(points - points[row], axis=1)
    order = [i for i in np.argsort(distances, kind="stable") if allowed[i]]
    pool = order[:POOL]
    shared = dict(zip(pool, plain_shared(points[[row, *pool]])[1:], strict=True))
    mixed = {i: rank_distances(distances[i], shared.get(i, 1.0)) for i in order}
    ranked = sorted(order, key=lambda i: (round(mixed[i], 6), i))
    return [(100 + i, pytest.approx(mixed[i], abs=1e-5)) for i in ranked]


@pytest.mark.parametrize("n", [2, 40, 300])
def test_alternates_are_those_of_a_plain_ranking(n):
    table = make_table(n)
    for row in {0, n // 2, n - 1}:
        found = find_alternates(table, row, n=None)
        assert [(m.hit_id, m.distance) for m in found] == plain_ranking(table, row)


def test_strokes_that_a_name_gives_to_the_drum_count_as_half_as_far():
    named = (3, 250, 251)  # 3 is marked no good
    plain, table = (find_alternates(make_table(300, named=n), 5, n=None) for n in ((), named))
    before = {m.hit_id: m.distance for m in plain}
    after = {m.hit_id: m.distance for m in table}
    changed = {i for i, distance in after.items() if distance != before[i]}
    assert changed == {350, 351}
    assert after[350] == pytest.approx(0.5 * before[350])
    assert [m.hit_id for m in table] == sorted(after, key=lambda i: (round(after[i], 6), i))


def test_the_first_alternates_do_not_depend_on_how_many_are_listed():
    table = make_table(4000)  # enough for the prefilter
    everything = [m.hit_id for m in find_alternates(table, 77, n=None)]
    for n in (1, 10, POOL + 5):
        assert [m.hit_id for m in find_alternates(table, 77, n=n)] == everything[:n]
