"""Groups of strokes of one drum, on points whose drums are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from catalog.search.drums import groups
from catalog.search.drums.groups import (
    Candidates,
    DrumGroup,
    find_drum_groups,
    mutual_distances,
    without_refused,
)
from catalog.search.drums.shared_neighbors import rank_distances
from tests.search.drums.test_shared_neighbors import plain_shared

N_DRUMS, N_STROKES, N_SINGLES = 8, 6, 10


@pytest.fixture
def hits():
    """Eight drums of six strokes each, and ten hits alone, in one session."""
    rng = np.random.default_rng(0)
    centers = 2.0 * rng.normal(size=(N_DRUMS, 20))
    points = centers[np.repeat(np.arange(N_DRUMS), N_STROKES)]
    points = points + 0.06 * rng.normal(size=points.shape)
    points = np.concatenate([points, 2.0 * rng.normal(size=(N_SINGLES, 20))])
    n = len(points)
    none = [""] * n
    return Candidates(np.arange(1, n + 1), points, ["barn"] * n, ["snare"] * n, none, none)


def drum_of(hit_id):
    return (hit_id - 1) // N_STROKES


def test_each_drum_is_a_group_and_single_hits_are_in_none(hits):
    found = find_drum_groups(hits)
    assert len(found) == N_DRUMS
    assert {len(group.hit_ids) for group in found} == {N_STROKES}
    assert all(len({drum_of(i) for i in group.hit_ids}) == 1 for group in found)
    assert {(group.session, group.role, group.damping) for group in found} == {
        ("barn", "snare", "")
    }


def test_the_most_typical_hit_comes_first(hits):
    points = hits.points.copy()
    points[0] += 0.06  # the first stroke of the first drum is odd
    first = next(g for g in find_drum_groups(replace(hits, points=points)) if 1 in g.hit_ids)
    assert first.hit_ids[-1] == 1


def test_named_hits_and_hits_of_other_sessions_are_not_joined(hits):
    drums = ["oak"] * 4 + [""] * (len(hits.hit_ids) - 4)
    found = find_drum_groups(replace(hits, drums=drums))
    assert not {1, 2, 3, 4, 5, 6} & {i for group in found for i in group.hit_ids}
    sessions = ["barn", "loft"] * (len(hits.hit_ids) // 2)
    assert {len(g.hit_ids) for g in find_drum_groups(replace(hits, sessions=sessions))} == {3}


def test_a_session_with_very_many_hits_is_divided_by_role(hits, monkeypatch):
    monkeypatch.setattr(groups, "MAX_AT_ONCE", 40)
    roles = ["snare"] * 24 + ["kick"] * (len(hits.hit_ids) - 24)
    found = find_drum_groups(replace(hits, roles=roles))
    assert [len(group.hit_ids) for group in found] == [N_STROKES] * N_DRUMS
    assert {group.role for group in found} == {"snare", "kick"}


def test_the_damping_is_that_of_the_words_in_the_group_or_of_near_hits_that_agree(hits):
    n = len(hits.hit_ids)

    def damping(words):
        found = find_drum_groups(replace(hits, dampings=words))
        return next(group.damping for group in found if 1 in group.hit_ids)

    assert damping(["", "damped", *[""] * (n - 2)]) == "damped"
    assert damping(["open", "damped", *[""] * (n - 2)]) == ""
    near = np.argsort(np.linalg.norm(hits.points - hits.points[:6].mean(axis=0), axis=1))
    words = [""] * n
    for row in near[6:12]:
        words[row] = "damped"
    assert damping(words) == ""  # no open hit to tell it from
    words[near[-1]] = "open"
    assert damping(words) == "damped"


def test_distances_are_the_mean_of_both_directions():
    points = np.random.default_rng(2).normal(size=(9, 4))
    found = mutual_distances(points)
    both = []
    for i, j in ((0, 5), (5, 0)):
        order = [i, *(k for k in range(9) if k != i)]
        distance = np.linalg.norm(points[i] - points[j])
        shared = plain_shared(points[order])[order.index(j)]
        both.append(rank_distances(distance, shared))
    assert found[0, 5] == pytest.approx(np.mean(both), abs=1e-6)
    assert found == pytest.approx(found.T)


def test_a_refused_group_stays_away_until_it_is_mostly_of_other_hits():
    group = DrumGroup((1, 2, 3, 4), "barn", "snare", "")
    assert without_refused([group], [[1, 2, 3]]) == []
    assert without_refused([group], [[1, 2], [3, 4], [9]]) == [group]
