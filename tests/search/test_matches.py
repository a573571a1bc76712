"""Differences between two hits in words."""

from __future__ import annotations

import pytest

from catalog.search.drums.drum_pitch import DrumPitch
from catalog.search.matches import (
    SURE,
    Match,
    audible_differences,
    count_sure,
    describe_difference,
    limit_drums,
    with_same_drum,
)
from tests.kit.drums import make_hit

HIT = {
    "length_s": 0.5, "attack_s": 0.004, "decay20_s": 0.2, "centroid_hz": 1500.0,
    "body_hz": 180.0, "flatness": 0.1, "loudness_lkfs": -20.0,
}  # fmt: skip


def test_the_most_audible_difference_comes_first():
    other = HIT | {"centroid_hz": 900.0, "length_s": 0.42}
    assert audible_differences(HIT, other) == ("600 Hz darker", "80 ms shorter")


def test_what_was_wished_for_comes_before_larger_differences():
    other = HIT | {"centroid_hz": 1650.0, "length_s": 1.2, "decay20_s": 0.6, "flatness": 0.3}
    assert audible_differences(HIT, other)[0] == "rings 400 ms longer"
    wished = frozenset({"centroid_hz"})
    assert audible_differences(HIT, other, wished=wished)[0] == "150 Hz brighter"
    hits = [make_hit(k, descriptors=numbers) for k, numbers in enumerate((HIT, other))]
    match = Match(hits[1], 0.5, query_hit=hits[0], wished=wished)
    assert match.reasons[0] == "150 Hz brighter"


def test_the_level_of_a_file_outside_the_catalog_is_not_compared():
    soft, loud = (HIT | {"loudness_lkfs": lkfs, "length_s": 0.5} for lkfs in (-45.0, -15.0))
    hits = [make_hit(k, descriptors=numbers) for k, numbers in ((0, soft), (1, loud), (2, soft))]
    assert describe_difference(hits[0], hits[1]) == ()
    assert describe_difference(hits[2], hits[1]) == ("30 dB louder",)


def test_equal_hits_have_no_differences():
    assert audible_differences(HIT, dict(HIT)) == ()


@pytest.mark.parametrize("value", [float("nan"), 0.0])
def test_undefined_descriptors_are_not_mentioned(value):
    assert audible_differences(HIT, HIT | {"body_hz": value}) == ()


def test_large_differences_are_given_in_seconds_and_kilohertz():
    differences = audible_differences(HIT, HIT | {"length_s": 3.1, "centroid_hz": 9000.0})
    assert differences == ("7.5 kHz brighter", "2.6 s longer")


def test_a_match_holds_hit_distance_and_differences():
    hits = [make_hit(number, session=session) for number, session in ((3, "a"), (7, "b"))]
    same, other = (Match(hit, 0.5, query_hit=hits[0]) for hit in hits)
    assert (other.hit, other.hit_id, other.distance) == (hits[1], 7, 0.5)
    assert (same.reasons, other.reasons[-1]) == ((), "from b")


def test_a_mono_file_is_as_loud_as_the_same_sound_in_two_channels():
    """BS.1770-4 adds the channels, so that two equal ones read 3 dB more than one."""
    mono = make_hit(1, loudness=-20.0)
    both = make_hit(2, loudness=-20.0 + 3.01, n_channels=2)
    assert Match(both, 0.0, query_hit=mono).reasons == ()


def match_of(hit_id: int, drum: str, distance: float) -> Match:
    hit = make_hit(hit_id, session="barn", drum=drum)
    query_hit = make_hit(0, session="barn", drum="snare a")
    return Match(hit, distance, query_hit, stroke_distance=distance)


def test_the_line_is_below_the_strokes_that_are_surely_of_the_drum():
    near = [match_of(i, drum, 0.1) for i, drum in enumerate(("", "snare a", ""))]
    far = [match_of(3, "snare a", 1.4), match_of(4, "", 1.5), match_of(5, "snare a", 1.6)]
    judged = with_same_drum([*near, *far])
    assert [m.same_drum >= SURE for m in judged] == [True, True, True, True, False, True]
    assert count_sure(judged) == 4
    assert count_sure(with_same_drum([match_of(1, "", 1.3)])) == 0


def test_at_most_three_strokes_of_one_drum_stand_before_others():
    drums = ("a", "a", "", "a", "a", "b", "a")
    found = [match_of(i, drum, 0.1 * i) for i, drum in enumerate(drums)]
    assert [m.hit_id for m in limit_drums(found)] == [0, 1, 2, 3, 5, 4, 6]


def test_lower_is_about_the_pitches_of_the_drums_and_not_of_single_strokes():
    first, second = make_hit(1, "tom", body=90.0), make_hit(2, "tom", body=143.0)
    assert "53 Hz higher" in describe_difference(first, second)
    pitches = {1: DrumPitch(90.0, 1.0, 5, ""), 2: DrumPitch(80.0, 1.0, 5, "")}
    assert "10 Hz lower" in describe_difference(first, second, pitches=pitches)
    match = Match(second, 0.1, first, pitches=lambda _: pitches)
    assert "10 Hz lower" in match.reasons


def test_a_stroke_of_a_drum_without_a_pitch_is_neither_lower_nor_higher():
    first, second = make_hit(1, "tom", body=90.0), make_hit(2, "tom", body=143.0)
    words = " ".join(describe_difference(first, second, pitches={}))
    assert "higher" not in words
