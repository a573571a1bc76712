"""Gaps in what has been recorded. Limits: common practice, no source."""

from __future__ import annotations

import pytest

from catalog.library.review.coverage import find_coverage
from catalog.library.review.gaps import name_drums, plain_role
from tests.library.review.test_coverage import make_hit


def gap_sentences(hits) -> list[str]:
    return [gap.words for gap in find_coverage(hits).gaps]


def test_gaps_are_written_as_sentences():
    hits = [make_hit(i, f"kick {i}", role="kick", drum="Kick") for i in range(3)]
    levels = [0, -20, -20, -20]
    hits += [make_hit(10 + i, "tom", role="tom", drum="Tom", lkfs=levels[i]) for i in range(4)]
    assert set(gap_sentences(hits)) >= {
        "no soft or middling strokes of Kick (loft)",
        "Tom (loft) has one stroke at full strength; a round robin needs three or more",
        "no snare at all",
        "no closed hat at all",
    }
    assert "no kick at all" not in gap_sentences(hits)


def test_a_kind_of_stroke_is_named_only_if_the_drum_has_several():
    levels = (-20, -21, -50, -51, -52)
    named = {"role": "hat_closed", "drum": "Hat closed"}
    hits = [make_hit(n, f"h {n}", lkfs=lkfs, **named) for n, lkfs in enumerate(levels)]
    text = "Hat closed (loft) has two strokes at full strength; a round robin needs three or more"
    assert text in gap_sentences(hits)


def test_a_stroke_recorded_by_two_microphones_counts_once():
    hits = [make_hit(i, "s", microphone="top") for i in range(2)]
    hits += [make_hit(10 + i, "s", microphone="bottom") for i in range(2)]
    assert not any("round robin" in text for text in gap_sentences(hits))  # too few for a drum
    soft = [make_hit(3, "s", lkfs=-30), make_hit(13, "s", lkfs=-30, microphone="bottom")]
    more = [*hits, make_hit(2, "s"), *soft]
    text = "Snare (loft) has one stroke at soft strength; a round robin needs three"
    assert any(line.startswith(text) for line in gap_sentences(more))
    assert "Snare (loft): 1 of 4 strokes are missing in bottom" in gap_sentences(more)


def test_drums_are_named_by_their_names_and_numbered_without_one():
    keys = [
        ("snare", "loft", "Snare A"), ("snare", "barn", "brass"), ("kick", "", "22"),
        ("hat_closed", "loft", "HH closed"), ("tom", "loft", ""), ("ride", "a", ""),
        ("ride", "b", ""),
    ]  # fmt: skip
    assert list(name_drums(keys).values()) == [
        "Snare A (loft)", "brass (snare, barn)", "22 (kick)", "HH closed (closed hat, loft)",
        "the tom (loft)", "the first ride (a)", "the second ride (b)",
    ]  # fmt: skip


def test_what_one_drum_lacks_is_one_sentence():
    hits = [
        make_hit(i, "t", role="tom", drum="Tom", lkfs=lkfs) for i, lkfs in enumerate([0, 0, -30])
    ]
    short = [text for text in gap_sentences(hits) if "round robin" in text]
    assert short == [
        "Tom (loft) has one stroke at soft and two strokes at full strength; a round robin needs "
        "three or more"
    ]


@pytest.mark.parametrize(
    ("role", "expected"),
    [("hat_pedal", "pedal hat"), ("conga_bongo", "conga or bongo"), ("tom", "tom")],
)
def test_roles_are_written_in_words(role, expected):
    assert plain_role(role) == expected


def test_many_drums_of_a_role_are_counted_with_the_right_endings():
    names = list(name_drums([("kick", str(n), "") for n in range(1, 24)]).values())
    endings = ["the 11th kick (11)", "the 21st kick (21)", "the 22nd kick (22)"]
    assert [names[10], names[20], names[21]] == endings
