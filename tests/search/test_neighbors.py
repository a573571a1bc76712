"""Ranks against a slow plain search, reasons in words, roles by example."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.search.neighbors import Match, explain_difference, rank_hits, spread_roles


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
    expected = [Match(i, d) for d, i in pairs][:n]
    assert rank_hits(ids, np.array(distances), allowed=allowed, n=n) == expected


@pytest.mark.parametrize("n", [1, 2, None])
def test_twins_keep_the_order_of_their_ids_whatever_rounding_says(n):
    distances = np.array([0.5357756551939505, 0.9, 0.5357756575066233])
    found = rank_hits(np.array([270, 3, 68]), distances, allowed=np.ones(3, bool), n=n)
    assert [match.hit_id for match in found] == [68, 270, 3][:n]


@pytest.mark.parametrize("n", [0, -1])
def test_asking_for_none_is_refused(n):
    with pytest.raises(ParameterError, match="at least 1"):
        rank_hits(np.arange(3), np.zeros(3), allowed=np.ones(3, bool), n=n)


HIT = {
    "length_s": 0.5, "attack_s": 0.004, "decay20_s": 0.2, "centroid_hz": 1500.0,
    "body_hz": 180.0, "flatness": 0.1, "loudness_lkfs": -20.0,
}  # fmt: skip


def test_the_most_audible_difference_comes_first():
    other = HIT | {"centroid_hz": 900.0, "length_s": 0.42}
    assert explain_difference(HIT, other) == ("600 Hz darker", "80 ms shorter")


def test_equal_hits_differ_in_nothing():
    assert explain_difference(HIT, dict(HIT)) == ()


@pytest.mark.parametrize("value", [float("nan"), 0.0])
def test_what_was_not_measured_is_not_told(value):
    assert explain_difference(HIT, HIT | {"body_hz": value}) == ()


def test_long_and_high_differences_are_told_in_seconds_and_kilohertz():
    told = explain_difference(HIT, HIT | {"length_s": 3.1, "centroid_hz": 9000.0})
    assert told == ("2.6 s longer", "7.5 kHz brighter") or told == (
        "7.5 kHz brighter",
        "2.6 s longer",
    )


def test_hits_near_an_example_take_its_role_and_far_ones_do_not():
    points = np.array([[0.0], [0.5], [9.0], [4.6]], np.float32)
    roles, sure = spread_roles(points, np.array([[0.0], [5.0]]), np.array([3, 7]), radius=1.0)
    assert roles.tolist() == [3, 3, -1, 7]
    assert sure == pytest.approx([1.0, 0.75, 0.0, 0.8])


def test_without_examples_nothing_changes():
    roles, sure = spread_roles(np.zeros((3, 2)), np.zeros((0, 2)), np.zeros(0, int), radius=1.0)
    assert roles.tolist() == [-1, -1, -1]
    assert sure.tolist() == [0.0, 0.0, 0.0]
