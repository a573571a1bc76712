"""Counts by drum, strength, kind of stroke and microphone. Limits: common practice, no source."""

from __future__ import annotations

from pathlib import Path

from catalog.library.metadata.damping import VOTED
from catalog.library.review.coverage import classify_strengths, classify_stroke_kinds, find_coverage
from catalog.models import Hit


def make_hit(number: int, name: str, *, lkfs: float = -10.0, decay: float = 0.2, **fields) -> Hit:
    values = {
        "session": "loft", "drum": "Snare", "microphone": "top", "take": "", "role": "snare",
        "tags": (), **fields,
    }  # fmt: skip
    return Hit(
        id=number, path=Path(f"/x/loft/{name}.wav"), start=0, stop=1, sr=48_000, n_channels=1,
        role_confidence=1.0, role_source="name", container="WAV", subtype="PCM_24",
        content_hash="", descriptors={"loudness_lkfs": lkfs, "decay20_s": decay}, **values,
    )  # fmt: skip


def test_every_hit_is_in_exactly_one_bin():
    hits = [make_hit(i, f"snare {i}", lkfs=-10.0 - i, microphone="ab"[i % 2]) for i in range(20)]
    ids = [i for b in find_coverage(hits).bins for i in b.hit_ids]
    assert sorted(ids) == list(range(20))


def test_strength_comes_from_the_name_else_from_the_level_below_the_loudest():
    hits = [
        make_hit(1, "snare", lkfs=-10), make_hit(2, "snare", lkfs=-20),
        make_hit(3, "snare", lkfs=-40), make_hit(4, "snare hard", lkfs=-40),
        make_hit(5, "snare ghost", lkfs=-10),
    ]  # fmt: skip
    assert classify_strengths(hits) == {1: "full", 2: "middle", 3: "soft", 4: "full", 5: "soft"}


def test_levels_are_compared_within_one_microphone():
    hits = [make_hit(1, "a", lkfs=-10), make_hit(2, "b", lkfs=-40, microphone="room")]
    assert classify_strengths(hits) == {1: "full", 2: "full"}


def test_the_kind_of_stroke_comes_from_a_tag_or_the_name_or_the_role():
    hits = [
        make_hit(1, "snare edge"), make_hit(2, "snare edge", tags=("centre",)),
        make_hit(3, "snare"), make_hit(4, "rimshot"), make_hit(5, "x", role="hat_closed"),
        make_hit(6, "snare muted"),
    ]  # fmt: skip
    expected = {1: "edge", 2: "centre", 3: "", 4: "rim", 5: "damped", 6: "damped"}
    assert classify_stroke_kinds(hits) == expected


def test_damped_and_open_strokes_differ_in_decay_that_strength_does_not_explain():
    loud = [make_hit(i, "s", lkfs=-10 - i % 3, decay=0.1 + 0.01 * (i % 3)) for i in range(4)]
    long = [make_hit(10 + i, "s", lkfs=-10 - i % 3, decay=0.4 + 0.01 * i) for i in range(4)]
    kinds = classify_stroke_kinds([*loud, *long])
    assert {kinds[h.id] for h in loud} == {"damped"}
    assert {kinds[h.id] for h in long} == {"open"}
    softer = [make_hit(20 + i, "s", lkfs=-40 - i, decay=0.1) for i in range(4)]
    assert set(classify_stroke_kinds([*softer, *long]).values()) == {""}


def test_an_empty_library_has_no_gaps():
    assert find_coverage([]).bins == ()
    assert find_coverage([]).gaps == ()


def test_the_damping_of_the_whole_stroke_counts_before_the_words_of_one_microphone():
    hits = [
        make_hit(1, "snare towel 1", origin={VOTED: "open"}),
        make_hit(2, "snare rim 2", origin={VOTED: "open"}),
        make_hit(3, "snare towel 3"),
    ]
    assert classify_stroke_kinds(hits) == {1: "open", 2: "rim", 3: "damped"}
