"""The terms of the judgement one by one, each against arithmetic."""

import numpy as np
import pytest

from catalog.features.production import PRODUCTION_DESCRIPTORS, PRODUCTION_NAMES
from catalog.kit.fill.coherence import (
    CLIP,
    MUSIC_WEIGHT,
    judge_hits,
    music_cost,
    own_cost,
    sound_cost,
)
from tests.kit.drums import make_hit, make_pool

P = len(PRODUCTION_NAMES)
A, B = np.array([0]), np.array([1])


def music(slot_a: str, slot_b: str, body_a: float, body_b: float, **changes: object) -> float:
    hits = (make_hit(0, body=body_a, **changes), make_hit(1, body=body_b, **changes))
    traits = judge_hits(hits, np.zeros((2, P)))
    return float(music_cost(traits, (slot_a, A), (slot_b, B))[0, 0]) / MUSIC_WEIGHT


@pytest.mark.parametrize(
    ("semitones", "cost"), [(3, 0.0), (5, 0.0), (7, 0.0), (2, 0.3), (9, 0.6), (0, 2.9), (-5, 3.0)]
)
def test_tom_steps_of_thirds_to_fifths_cost_nothing(semitones: int, cost: float) -> None:
    body = 100.0 * 2 ** (semitones / 12)
    assert music("tom_low", "tom_mid", 100.0, body) == pytest.approx(cost, abs=1e-6)
    assert music("tom_mid", "tom_low", body, 100.0) == pytest.approx(cost, abs=1e-6)


def test_low_and_high_tom_lie_two_steps_apart() -> None:
    assert music("tom_low", "tom_high", 100.0, 200.0) == pytest.approx(0.0)
    assert music("tom_low", "tom_high", 100.0, 125.0) > 0.5


def test_a_tom_without_a_body_costs_the_same_either_way() -> None:
    assert music("tom_low", "tom_mid", 100.0, np.nan) == music("tom_low", "tom_mid", np.nan, 100.0)


def test_kick_and_tom_on_one_frequency_cost_and_a_third_apart_do_not() -> None:
    assert music("kick", "tom_low", 60.0, 60.0) == pytest.approx(1.0)
    assert music("kick", "tom_low", 60.0, 60.0 * 2 ** (3 / 12)) == pytest.approx(0.0)
    assert music("snare", "crash", 60.0, 60.0) == 0.0
    assert music("kick", "tom_low", np.nan, 60.0) == 0.0


def test_a_second_kick_that_is_another_stroke_of_the_first_costs() -> None:
    same = {"session": "a", "drum": "kick 1"}
    assert music("kick", "kick_2", 60.0, np.nan, **same) == 1.0
    assert music("kick", "kick_2", 60.0, np.nan) == 0.0
    assert music("kick", "snare", 60.0, np.nan, **same) == 0.0


def test_a_hit_is_compared_with_its_own_role() -> None:
    """Crashes ring longer than kicks; one like all crashes is as usual as one like all kicks."""
    hits = tuple(make_hit(i, "kick" if i < 200 else "crash") for i in range(400))
    rows = np.random.default_rng(0).normal(size=(400, P)) + 20.0 * (np.arange(400) >= 200)[:, None]
    z = judge_hits(hits, rows).z
    assert np.abs(z[:200].mean(axis=0) - z[200:].mean(axis=0)).max() < 0.5
    assert np.abs(z).max() <= CLIP


def test_a_role_with_one_hit_is_judged_by_the_whole_pool() -> None:
    hits = (*(make_hit(i) for i in range(50)), make_hit(50, "china"))
    rows = np.random.default_rng(0).normal(size=(51, P))
    rows[50] = 3.0
    plain = [i for i, trace in enumerate(PRODUCTION_DESCRIPTORS) if trace.unit == "dB"]
    assert (judge_hits(hits, rows).z[50, plain] > 1.5).all()


def test_sound_cost_is_nothing_to_itself_and_the_same_both_ways() -> None:
    pool = make_pool({"kick": 5, "snare": 6})
    traits = judge_hits(pool.hits, pool.production)
    rows = np.arange(11)
    cost = sound_cost(traits, rows, rows)
    assert np.array_equal(cost, cost.T)
    assert (np.diag(cost) == 0.0).all()


def test_production_that_is_not_a_number_does_not_spread() -> None:
    rows = np.ones((3, P))
    rows[1] = np.nan
    traits = judge_hits(tuple(make_hit(i) for i in range(3)), rows)
    assert np.isfinite(traits.z).all()
    assert len(judge_hits((), np.zeros((0, P))).z) == 0


def test_doubt_costs_and_a_sure_role_does_not() -> None:
    hits = (make_hit(0), make_hit(1, role_confidence=0.25), make_hit(2, loudness=np.nan))
    assert own_cost(judge_hits(hits, np.zeros((3, P))), np.arange(2)).tolist() == [0.0, 0.75]
    assert hits[2].strength_lkfs == -np.inf
