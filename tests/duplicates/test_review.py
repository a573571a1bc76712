"""Verdicts and preferences of the user on groups of copies; no audio needed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from catalog.duplicates.groups import CopyGroup, Grouping, UncertainPair
from catalog.duplicates.review import USER_CHOICE, apply_preference, apply_verdicts, undecided_pairs
from catalog.library.store.records.annotations import pair_key
from catalog.models import Certainty
from tests.duplicates.test_groups import make_hit


@pytest.fixture
def hits():
    return {n: make_hit(n) for n in range(1, 9)}


GROUP = CopyGroup(1, (2, 3), (0.999, 0.99), "kept: the first found", likely=(3,))


def grouping(*pairs: UncertainPair) -> Grouping:
    return Grouping([GROUP], list(pairs))


def verdicts_of(hits, *pairs: tuple[int, int, bool]):
    return {pair_key(hits[a], hits[b]): same for a, b, same in pairs}


def test_without_verdicts_nothing_changes(hits):
    assert apply_verdicts(grouping(), hits, {}) == [GROUP]


def test_a_pair_found_different_leaves_the_group_and_the_rest_stays(hits):
    (group,) = apply_verdicts(grouping(), hits, verdicts_of(hits, (3, 1, False)))
    assert (group.keep, group.others, group.evidence) == (1, (2,), (0.999,))
    assert group.certainty == Certainty.CERTAIN  # the member that was only likely is gone
    assert apply_verdicts(grouping(), hits, verdicts_of(hits, (1, 2, False), (1, 3, False))) == []


def test_an_open_pair_judged_the_same_becomes_a_group_that_keeps_the_better_hit(hits):
    hits[4] = replace(hits[4], subtype="PCM_16")
    uncertain = grouping(UncertainPair(4, 5, 0.95), UncertainPair(6, 7, 0.94))
    groups = apply_verdicts(uncertain, hits, verdicts_of(hits, (4, 5, True), (6, 7, False)))
    assert [(g.keep, g.others, g.evidence) for g in groups[1:]] == [(5, (4,), (0.95,))]
    assert "24-bit" in groups[1].reason
    assert groups[1].certainty == Certainty.CERTAIN  # by the user's word


def test_an_open_pair_joins_only_the_group_whose_kept_hit_was_compared(hits):
    joined, chained = (
        apply_verdicts(grouping(UncertainPair(i, 8, 0.95)), hits, verdicts_of(hits, (i, 8, True)))
        for i in (1, 2)
    )
    assert joined[0].others == (2, 3, 8)
    assert chained == [GROUP]  # 8 was never compared with the kept hit


def test_only_pairs_without_a_verdict_of_hits_that_stay_are_listed(hits):
    rows = [(4, 5, 0.93), (1, 8, 0.95), (2, 6, 0.99), (7, 99, 0.99)]
    uncertain = grouping(*(UncertainPair(*row) for row in rows))
    found = undecided_pairs(uncertain, hits, {})
    assert [(pair.first, pair.second) for pair in found] == [(1, 8), (4, 5)]
    verdicts = verdicts_of(hits, (4, 5, False), (1, 8, True))
    assert undecided_pairs(uncertain, hits, verdicts) == []


def test_another_file_is_kept_and_each_member_is_verified_against_it(hits):
    verified = []

    def verify(first, second):
        verified.append((first.id, second.id))
        return

    group = apply_preference(GROUP, hits, {3}, verify=verify)
    assert group == CopyGroup(3, (1,), (0.99,), USER_CHOICE, likely=(1,))
    assert verified == [(3, 2)]  # 2 could not be verified, so it is not offered to be set aside
    assert apply_preference(GROUP, hits, set(), verify=verify) is GROUP
    assert apply_preference(GROUP, hits, {1}, verify=verify).reason == USER_CHOICE
