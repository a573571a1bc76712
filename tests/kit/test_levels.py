"""Levels: slots sit together, strokes keep their dynamics, no chord clips, silence stays."""

import math
from itertools import combinations

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.features.loudness import hit_loudness, true_peak
from catalog.kit.levels import (
    BALANCE_LU,
    CEILING_DBTP,
    MARGIN_DB,
    MAX_BOOST_DB,
    balance_levels,
    simultaneous_peak,
)
from catalog.kit.model import Kit
from catalog.models import ROLES, Hit
from tests.kit.drums import make_hit, make_stroke

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


def played(kit: Kit, hits: dict[int, Hit], gains: dict[str, float]) -> list[Audio]:
    strokes = [(make_stroke(hits[ids[0]]), gains[slot]) for slot, ids in kit.slots.items()]
    return [Audio(a.samples * np.float32(10 ** (g / 20)), a.sr, "WAV", "FLOAT") for a, g in strokes]


def test_every_role_has_a_level_in_the_balance():
    assert set(BALANCE_LU) == set(ROLES)


def test_slots_differ_in_loudness_by_the_balance():
    kit, hits = made_kit(-30, -12, -25, -33, -18, -21)
    levels = balance_levels(kit, hits, read=make_stroke)
    strokes = played(kit, hits, levels.gain_db)
    loudness = [hit_loudness(a.samples, sr=a.sr) for a in strokes]  # of the kick first
    balance = [BALANCE_LU[role] for role in SLOT_ROLES.values()]
    assert [lkfs - loudness[0] for lkfs in loudness] == pytest.approx(balance, abs=SAME_DB)


@pytest.mark.parametrize("lowest", [-45.0, -25.0, -20.0, -3.0])
def test_the_loudest_four_strokes_just_stay_below_the_ceiling(lowest):
    kit, hits = made_kit(lowest, -12, -25, -33, -18, -21)
    levels = balance_levels(kit, hits, read=make_stroke)
    strokes = played(kit, hits, levels.gain_db)
    for four in combinations(strokes, 4):
        for sign in (1, -1):
            mix = sum(a.samples * (sign if i else 1) for i, a in enumerate(four))
            assert true_peak(np.asarray(mix)) < CEILING_DBTP
    assert simultaneous_peak(strokes) < CEILING_DBTP
    assert levels.chord_dbtp < CEILING_DBTP
    peaks = sorted(10 ** (true_peak(a.samples) / 20) for a in strokes)
    loudest = max(20 * math.log10(sum(peaks[-4:])), simultaneous_peak(strokes))
    assert loudest == pytest.approx(CEILING_DBTP - MARGIN_DB, abs=0.01)


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


def test_hits_of_different_rates_and_channels_are_mixed():
    strokes = [make_stroke(make_hit(0, sr=48_000), n_channels=2), make_stroke(make_hit(1))]
    assert math.isfinite(simultaneous_peak(strokes))
    assert simultaneous_peak([]) == -math.inf
