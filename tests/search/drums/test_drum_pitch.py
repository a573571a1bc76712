"""The pitch of drums from strokes that disagree, and drums that have none."""

from __future__ import annotations

import math

import pytest

from catalog.models import Hit, Role
from catalog.search.drums.drum_pitch import (
    MIN_CERTAINTY,
    UNPITCHED,
    estimate_drum_pitches,
)
from tests.kit.drums import make_hit

CLEAR, WEAK, FAINT, HUM = 0.5, 0.06, 0.015, 0.005  # shares of the lowest mode
SEMITONE = 2 ** (1 / 12)


def strokes(
    modes: list[tuple[float, float]], *, first: int = 0, role: str = "tom", **names: str
) -> list[Hit]:
    """Strokes of one drum with these lowest modes and shares; a faint one is no clear pitch."""
    names = {"session": "barn", "drum": "rack tom"} | names
    return [
        make_hit(
            first + i, role, **names,
            descriptors={
                "mode_hz": hz, "mode_share": share, "body_hz": hz if share > 0.04 else math.nan,
            },
        )
        for i, (hz, share) in enumerate(modes)
    ]  # fmt: skip


def test_strokes_that_show_another_mode_have_the_pitch_of_their_drum():
    hits = strokes([(100.0, CLEAR)] * 6 + [(159.3, CLEAR), (213.5, FAINT)])
    pitches = estimate_drum_pitches(hits)
    assert set(pitches) == {hit.id for hit in hits}
    assert {round(pitch.hz, 6) for pitch in pitches.values()} == {100.0}
    assert pitches[7].n_strokes == 8
    assert MIN_CERTAINTY <= pitches[7].certainty < 0.9


def test_strokes_that_differ_by_less_than_a_semitone_agree():
    hits = strokes([(100.0 * SEMITONE ** (0.1 * i), CLEAR) for i in range(8)])
    pitch = estimate_drum_pitches(hits)[0]
    assert pitch.hz == pytest.approx(100.0 * SEMITONE**0.35, rel=0.01)
    assert pitch.certainty > 0.95


def test_strokes_without_a_common_frequency_have_no_pitch():
    hits = strokes([(50.0 * SEMITONE ** (3 * i), WEAK) for i in range(8)])
    assert estimate_drum_pitches(hits) == {}


def test_very_clear_strokes_without_a_common_frequency_are_different_drums():
    hits = strokes([(50.0 * SEMITONE ** (3 * i), CLEAR) for i in range(8)])
    pitches = estimate_drum_pitches(hits)
    assert [pitches[i].hz for i in range(8)] == [hit.descriptors["body_hz"] for hit in hits]
    assert {pitch.n_strokes for pitch in pitches.values()} == {1}


def test_many_faint_modes_that_agree_are_a_pitch_and_one_is_not():
    snare = [(190.0, FAINT)] * 5
    assert estimate_drum_pitches(strokes(snare, role="snare"))[0].hz == pytest.approx(190.0)
    assert estimate_drum_pitches(strokes(snare[:1], role="snare")) == {}
    assert estimate_drum_pitches(strokes([(65.0, HUM)] * 5, role="cowbell")) == {}


def test_few_strokes_and_hits_of_unknown_drums_keep_their_own_pitch():
    pair = estimate_drum_pitches(strokes([(100.0, CLEAR), (150.0, CLEAR)]))
    assert [round(pair[i].hz) for i in (0, 1)] == [100, 150]
    unknown = estimate_drum_pitches(strokes([(100.0, CLEAR)] * 3 + [(150.0, CLEAR)], drum=""))
    assert [round(unknown[i].hz) for i in range(4)] == [100, 100, 100, 150]
    assert unknown[0].n_strokes == 1


def test_the_close_microphone_decides_over_far_ones():
    close = strokes([(100.0, CLEAR)] * 4, microphone="close")
    far = strokes([(99.0 * 2, CLEAR)] * 9, first=10, microphone="overhead left")
    pitches = estimate_drum_pitches(close + far)
    assert {round(pitch.hz) for pitch in pitches.values()} == {100}
    assert pitches[10].microphone == "close"


def test_a_tone_of_the_room_is_not_the_pitch_of_the_drums_that_it_sounds_with():
    kick = strokes([(98.0, CLEAR)] * 4, role="kick", drum="kick", microphone="overhead")
    tom = strokes([(98.5, CLEAR)] * 4, first=10, drum="floor tom", microphone="overhead")
    other = strokes([(130.0, CLEAR)] * 4, first=20, drum="rack tom", microphone="overhead")
    assert set(estimate_drum_pitches(kick + tom + other)) == {20, 21, 22, 23}
    assert set(estimate_drum_pitches(tom)) == {10, 11, 12, 13}


@pytest.mark.parametrize("role", sorted(UNPITCHED))
def test_cymbals_shakers_and_claps_have_no_pitch(role):
    assert estimate_drum_pitches(strokes([(100.0, CLEAR)] * 4, role=Role(role))) == {}


def test_the_order_of_hits_changes_nothing():
    hits = strokes([(100.0, CLEAR)] * 5 + [(159.3, 0.2)] * 2 + [(101.0, 0.1)])
    assert estimate_drum_pitches(hits) == estimate_drum_pitches(hits[::-1])
