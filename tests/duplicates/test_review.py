"""Groups of copies as the user heard them; hits and groups made up, no sound needed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from catalog.duplicates.groups import CopyGroup
from catalog.duplicates.review import SAID, Doubt, apply_preference, apply_verdicts, open_doubts
from catalog.library.store.pair_answers import pair_key
from catalog.models import Hit


def make_hit(hit_id: int, *, bits: int = 24) -> Hit:
    return Hit(
        hit_id, Path(f"/takes/{hit_id}.wav"), 0, 1000, 44_100, 1, "", "", "", "", "kick", 1.0,
        "name", {"peak_db": -6.0, "tail_s": 0.2, "floor_db": -80.0}, "WAV", f"PCM_{bits}",
        f"{hit_id:064x}",
    )  # fmt: skip


@pytest.fixture
def hits():
    return {n: make_hit(n) for n in range(1, 9)}


GROUP = CopyGroup(1, (2, 3), (0.999, 0.99), "kept: the first found")


def said(hits, *pairs: tuple[int, int, bool]):
    return {pair_key(hits[a], hits[b]): same for a, b, same in pairs}


def test_without_a_word_of_the_user_nothing_changes(hits):
    assert apply_verdicts([GROUP], [], hits, {}) == [GROUP]


def test_a_parted_pair_leaves_the_group_and_the_rest_stays(hits):
    (group,) = apply_verdicts([GROUP], [], hits, said(hits, (3, 1, False)))
    assert (group.keep, group.others, group.evidence) == (1, (2,), (0.999,))
    assert apply_verdicts([GROUP], [], hits, said(hits, (1, 2, False), (1, 3, False))) == []


def test_an_open_pair_found_to_be_one_makes_a_group_of_the_better_one(hits):
    hits[4] = replace(hits[4], subtype="PCM_16")
    doubts = [Doubt(4, 5, 0.95), Doubt(6, 7, 0.94)]
    groups = apply_verdicts([GROUP], doubts, hits, said(hits, (4, 5, True), (6, 7, False)))
    assert [(g.keep, g.others, g.evidence) for g in groups[1:]] == [(5, (4,), (0.95,))]
    assert "24-bit" in groups[1].reason


def test_an_open_pair_joins_the_group_of_what_is_kept_but_never_chains(hits):
    joined = apply_verdicts([GROUP], [Doubt(1, 8, 0.95)], hits, said(hits, (1, 8, True)))
    assert joined[0].others == (2, 3, 8)
    chained = apply_verdicts([GROUP], [Doubt(2, 8, 0.95)], hits, said(hits, (2, 8, True)))
    assert chained == [GROUP]  # 8 was never compared with the one that is kept


def test_only_undecided_pairs_of_hits_that_stay_are_open(hits):
    doubts = [Doubt(4, 5, 0.93), Doubt(1, 8, 0.95), Doubt(2, 6, 0.99), Doubt(7, 99, 0.99)]
    found = open_doubts(doubts, [GROUP], hits, {})
    assert [(d.first, d.second) for d in found] == [(1, 8), (4, 5)]
    assert open_doubts(doubts, [GROUP], hits, said(hits, (4, 5, False), (1, 8, True))) == []


def test_another_file_is_kept_and_each_member_is_verified_against_it(hits):
    asked = []

    def verify(first, second):
        asked.append((first.id, second.id))
        return

    group = apply_preference(GROUP, hits, {3}, verify)
    assert (group.keep, group.others, group.evidence, group.reason) == (3, (1,), (0.99,), SAID)
    assert asked == [(3, 2)]  # 2 could not be verified, so it is not offered to be set aside
    assert apply_preference(GROUP, hits, set(), verify) is GROUP
    assert apply_preference(GROUP, hits, {1}, verify).reason == SAID
