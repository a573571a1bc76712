"""Levels: slots sit together as they are heard, the loudest chord meets the ceiling."""

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.features.loudness import hit_loudness, true_peak
from catalog.kit.dynamics import stroke_curve
from catalog.kit.layers import cut_layers
from catalog.kit.levels import (
    BALANCE_LU,
    CEILING_DBTP,
    MARGIN_DB,
    MAX_BOOST_DB,
    balance_levels,
)
from catalog.kit.model import Kit
from catalog.models import ROLES, Hit
from tests.kit.drums import SR, make_hit, make_stroke

SLOT_ROLES = {"kick": "kick", "snare": "snare", "hat_closed": "hat_closed", "tom_low": "tom",
              "crash": "crash", "ride": "ride"}  # fmt: skip
SILENCE = Audio(np.zeros((99, 2), "f4"), 44_100, "WAV", "PCM_24")
SAME_DB = 0.01  # float32 arithmetic


def made_kit(*loudness: float) -> tuple[Kit, dict[int, Hit]]:
    hits = {
        i: make_hit(i, role, loudness=level, body=60.0 + 40 * i)
        for i, (role, level) in enumerate(zip(SLOT_ROLES.values(), loudness, strict=True))
    }
    return Kit(slots={slot: (i,) for i, slot in enumerate(SLOT_ROLES)}), hits


def played(kit: Kit, hits: dict[int, Hit], gains: dict[str, float]) -> dict[str, np.ndarray]:
    """Return the stroke of each slot as two loudspeakers play it."""
    waves = {}
    for slot, (hit_id,) in kit.slots.items():
        stroke = make_stroke(hits[hit_id], n_channels=hits[hit_id].n_channels).samples
        waves[slot] = np.broadcast_to(stroke * 10 ** (gains[slot] / 20), (len(stroke), 2))
    return waves


def test_every_role_has_a_level_in_the_balance():
    assert set(BALANCE_LU) == set(ROLES)


@pytest.mark.parametrize("n_stereo", [0, 1, 3, 6])
def test_slots_differ_in_loudness_by_the_balance_whether_mono_or_stereo(n_stereo):
    kit, hits = made_kit(-30, -12, -25, -33, -18, -21)
    hits = {i: replace(hit, n_channels=1 + (i < n_stereo)) for i, hit in hits.items()}

    def read(hit: Hit) -> Audio:
        return make_stroke(hit, n_channels=hit.n_channels)

    strokes = played(kit, hits, balance_levels(kit, hits, read=read).gain_db)
    loudness = [hit_loudness(wave, sr=SR) for wave in strokes.values()]  # of the kick first
    balance = [BALANCE_LU[role] for role in SLOT_ROLES.values()]
    assert [lkfs - loudness[0] for lkfs in loudness] == pytest.approx(balance, abs=SAME_DB)


@pytest.mark.parametrize("lowest", [-45.0, -25.0, -20.0, -3.0])
def test_the_loudest_chord_of_two_hands_and_two_feet_just_stays_below_the_ceiling(lowest):
    kit, hits = made_kit(lowest, -12, -25, -33, -18, -21)
    levels = balance_levels(kit, hits, read=make_stroke)
    strokes = played(kit, hits, levels.gain_db)
    hands = [None, *(slot for slot in strokes if slot != "kick")]
    peaks = []
    for left, right, foot in product(hands, hands, (None, "kick")):
        chord = {left, right, foot} - {None}
        if chord and left != right:
            peaks.append(true_peak(np.sum([strokes[slot] for slot in chord], axis=0)))
    assert max(peaks) == pytest.approx(CEILING_DBTP - MARGIN_DB, abs=SAME_DB)
    assert levels.chord_dbtp == pytest.approx(max(peaks), abs=SAME_DB)
    assert f"{max(peaks):.1f} dBTP, the most" in levels.notes[-1]


def test_a_weak_stroke_with_a_higher_peak_than_any_chord_stays_below_the_ceiling():
    hits = {0: make_hit(0, loudness=-20.0), 1: make_hit(1, loudness=-26.0)}
    click = np.zeros((9000, 1), np.float32)
    click[100] = 0.9

    def read(hit: Hit) -> Audio:
        return make_stroke(hit) if hit.id == 0 else Audio(click, SR, "WAV", "FLOAT")

    kit = Kit(slots={"snare": (0, 1)})
    levels = balance_levels(kit, hits, read=read)
    weak, strong = cut_layers(list(hits.values()))
    boost_db = stroke_curve(hits[1], weak, (weak, strong)).top_db
    assert boost_db == pytest.approx(3.0, abs=0.2)  # half of 6 LU, at the border of the layers
    peak_db = true_peak(click) + levels.gain_db["snare"] + boost_db
    assert peak_db == pytest.approx(CEILING_DBTP - MARGIN_DB, abs=SAME_DB)


@pytest.mark.parametrize("loudness", [-math.inf, math.nan, -75.0])
def test_silence_is_not_amplified(loudness):
    hits = {0: make_hit(0, loudness=-30.0), 1: make_hit(1, "crash", loudness=loudness)}
    kit = Kit(slots={"snare": (0,), "crash": (1,)})
    levels = balance_levels(kit, hits, read=lambda h: SILENCE if h.id else make_stroke(h))
    assert levels.gain_db["crash"] <= 0.0
    assert any("crash: too quiet to be measured" in note for note in levels.notes)


def test_a_kit_of_silence_is_left_unchanged():
    hits = {0: make_hit(0, loudness=-math.inf)}
    levels = balance_levels(Kit(slots={"snare": (0,), "kick": ()}), hits, read=lambda _: SILENCE)
    assert levels.gain_db == {"snare": 0.0}


def test_the_boost_of_a_very_soft_hit_is_limited():
    hits = {0: make_hit(0, loudness=-65.0)}
    levels = balance_levels(Kit(slots={"snare": (0,)}), hits, read=make_stroke)
    assert levels.gain_db["snare"] == MAX_BOOST_DB
    assert any("dB too quiet" in note for note in levels.notes)


def test_no_file_exceeds_the_ceiling_though_its_velocity_curve_lowers_it():
    """A stroke of a soft layer may be the loudest one through another microphone."""
    hits = {1: make_hit(1, loudness=-10.0), 2: make_hit(2, loudness=-30.0)}
    kit = Kit(slots={"snare": (1, 2)}, arranged={"snare": ((1,), (2,))})
    levels = balance_levels(kit, hits, read=make_stroke)
    peaks = [true_peak(make_stroke(hit).samples) + levels.gain_db["snare"] for hit in hits.values()]
    assert max(peaks) == pytest.approx(CEILING_DBTP - MARGIN_DB, abs=SAME_DB)
    assert any("snare" in note and "file" in note for note in levels.notes)


def test_a_shortage_that_is_rounded_to_nothing_is_not_noted():
    hits = {1: make_hit(1, loudness=-44.3)}
    levels = balance_levels(Kit(slots={"snare": (1,)}), hits, read=make_stroke)
    assert not any("too quiet" in note for note in levels.notes)
