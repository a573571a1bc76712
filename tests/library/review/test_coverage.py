"""Counts by drum, strength, kind of stroke and microphone. Limits: common practice, no source."""

from __future__ import annotations

from pathlib import Path

import pytest

from catalog.library.review.coverage import classify_strengths, classify_stroke_kinds, find_coverage
from catalog.library.review.gaps import name_drums, plain_role
from catalog.models import Hit


def hit(number: int, name: str, *, lkfs: float = -10.0, decay: float = 0.2, **fields) -> Hit:
    values = {
        "session": "loft", "drum": "Snare", "microphone": "top", "take": "", "role": "snare",
        "tags": (), **fields,
    }  # fmt: skip
    return Hit(
        id=number, path=Path(f"/x/loft/{name}.wav"), start=0, stop=1, sr=48_000, n_channels=1,
        role_confidence=1.0, role_source="name", container="WAV", subtype="PCM_24",
        content_hash="", descriptors={"loudness_lkfs": lkfs, "decay20_s": decay}, **values,
    )  # fmt: skip


def words(hits) -> list[str]:
    return [gap.words for gap in find_coverage(hits).gaps]


def test_every_hit_is_in_exactly_one_bin():
    hits = [hit(i, f"snare {i}", lkfs=-10.0 - i, microphone="ab"[i % 2]) for i in range(20)]
    ids = [i for b in find_coverage(hits).bins for i in b.hit_ids]
    assert sorted(ids) == list(range(20))


def test_strength_comes_from_the_name_else_from_the_level_below_the_loudest():
    hits = [
        hit(1, "snare", lkfs=-10), hit(2, "snare", lkfs=-20), hit(3, "snare", lkfs=-40),
        hit(4, "snare hard", lkfs=-40), hit(5, "snare ghost", lkfs=-10),
    ]  # fmt: skip
    assert classify_strengths(hits) == {1: "full", 2: "middle", 3: "soft", 4: "full", 5: "soft"}


def test_levels_are_compared_within_one_microphone():
    hits = [hit(1, "a", lkfs=-10), hit(2, "b", lkfs=-40, microphone="room")]
    assert classify_strengths(hits) == {1: "full", 2: "full"}


def test_the_kind_of_stroke_comes_from_a_tag_or_the_name_or_the_role():
    hits = [
        hit(1, "snare edge"), hit(2, "snare edge", tags=("centre",)), hit(3, "snare"),
        hit(4, "rimshot"), hit(5, "x", role="hat_closed"), hit(6, "snare muted"),
    ]  # fmt: skip
    expected = {1: "edge", 2: "centre", 3: "", 4: "rim", 5: "damped", 6: "damped"}
    assert classify_stroke_kinds(hits) == expected


def test_damped_and_open_strokes_differ_in_decay_that_strength_does_not_explain():
    loud = [hit(i, "s", lkfs=-10 - i % 3, decay=0.1 + 0.01 * (i % 3)) for i in range(4)]
    long = [hit(10 + i, "s", lkfs=-10 - i % 3, decay=0.4 + 0.01 * i) for i in range(4)]
    kinds = classify_stroke_kinds([*loud, *long])
    assert {kinds[h.id] for h in loud} == {"damped"}
    assert {kinds[h.id] for h in long} == {"open"}
    softer = [hit(20 + i, "s", lkfs=-40 - i, decay=0.1) for i in range(4)]
    assert set(classify_stroke_kinds([*softer, *long]).values()) == {""}


def test_gaps_are_written_as_sentences():
    hits = [hit(i, f"kick {i}", role="kick", drum="Kick") for i in range(3)]
    hits += [hit(10 + i, "tom", role="tom", drum="Tom", lkfs=-20 * min(i, 1)) for i in range(4)]
    found = words(hits)
    assert "no soft strokes of the kick (Kick, loft)" in found
    assert (
        "the tom (Tom, loft) has one stroke at full strength; a round robin wants three or more"
        in found
    )
    assert "no snare at all" in found
    assert "no closed hat at all" in found
    assert "no kick at all" not in found


def test_a_stroke_recorded_by_two_microphones_counts_once():
    hits = [hit(i, "s", microphone="top") for i in range(2)]
    hits += [hit(10 + i, "s", microphone="bottom") for i in range(2)]
    assert not any("round robin" in text for text in words(hits))  # too few for a drum
    more = [*hits, hit(2, "s"), hit(3, "s", lkfs=-30), hit(13, "s", lkfs=-30, microphone="bottom")]
    text = "the snare (Snare, loft) has one stroke at soft strength; a round robin wants three"
    assert any(line.startswith(text) for line in words(more))
    assert "the snare (Snare, loft): 1 of 4 strokes are missing in bottom" in words(more)


def test_drums_of_one_role_are_numbered():
    names = name_drums([("snare", "loft", "A"), ("snare", "barn", "B"), ("kick", "loft", "K")])
    assert names["snare", "barn", "B"] == "the second snare (B, barn)"
    assert names["kick", "loft", "K"] == "the kick (K, loft)"


@pytest.mark.parametrize(
    ("role", "expected"),
    [("hat_pedal", "pedal hat"), ("conga_bongo", "conga or bongo"), ("tom", "tom")],
)
def test_roles_are_written_in_words(role, expected):
    assert plain_role(role) == expected


def test_an_empty_library_has_no_gaps():
    assert find_coverage([]).bins == ()
    assert find_coverage([]).gaps == ()
