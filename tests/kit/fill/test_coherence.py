"""The terms of the cost one by one, each against arithmetic or counting by brute force."""

import numpy as np
import pytest

from catalog.features.production import PRODUCTION_DESCRIPTORS, PRODUCTION_NAMES
from catalog.kit.fill.coherence import (
    CLIP,
    PAIR_WEIGHT,
    STEPS,
    compute_traits,
    measure_rarity,
    role_cost,
    slot_pair_cost,
)
from tests.kit.drums import make_hit, make_pool

P = len(PRODUCTION_NAMES)
A, B = np.array([0]), np.array([1])
STEP = 2.0 * CLIP / (STEPS - 1)


def pair_cost(slots: tuple[str, str], body_hz: tuple[float, float], **changes: object) -> float:
    hits = tuple(make_hit(i, body=hz, **changes) for i, hz in enumerate(body_hz))
    traits = compute_traits(hits, np.zeros((2, P)))
    return float(slot_pair_cost(traits, (slots[0], A), (slots[1], B))[0, 0]) / PAIR_WEIGHT


@pytest.mark.parametrize(
    ("semitones", "cost"), [(3, 0.0), (5, 0.0), (7, 0.0), (2, 0.3), (9, 0.6), (0, 18.9), (-5, 3.0)]
)
def test_tom_intervals_of_thirds_to_fifths_cost_nothing(semitones, cost):
    body = 100.0 * 2 ** (semitones / 12)
    assert pair_cost(("tom_low", "tom_mid"), (100.0, body)) == pytest.approx(cost, abs=1e-6)
    assert pair_cost(("tom_mid", "tom_low"), (body, 100.0)) == pytest.approx(cost, abs=1e-6)


@pytest.mark.parametrize(
    ("slots", "body_hz", "drum", "cost"),
    [
        (("tom_low", "tom_high"), (100.0, 200.0), "", 0.0),  # two intervals apart
        (("tom_low", "tom_high"), (100.0, 125.0), "", 0.3 * (6 - 12 * np.log2(1.25))),
        (("tom_low", "tom_mid"), (100.0, np.nan), "", 0.5),  # without a pitch, in either slot
        (("tom_low", "tom_mid"), (np.nan, 100.0), "", 0.5),
        (("kick", "tom_low"), (60.0, 60.0), "", 1.0),
        (("kick", "tom_low"), (60.0, 60.0 * 2 ** (3 / 12)), "", 0.0),  # a third apart
        (("kick", "tom_low"), (np.nan, 60.0), "", 0.0),
        (("snare", "crash"), (60.0, 60.0), "", 0.0),
        (("kick", "kick_2"), (60.0, np.nan), "kick 1", 1.0),  # another stroke of the first
        (("kick", "kick_2"), (60.0, np.nan), "", 0.0),
        (("kick", "snare"), (60.0, np.nan), "kick 1", 0.0),
    ],
)
def test_pairs_cost_by_pitch_and_drum(slots, body_hz, drum, cost):
    assert pair_cost(slots, body_hz, session="a", drum=drum) == pytest.approx(cost, abs=1e-6)


def test_a_hit_is_standardized_within_its_role():
    """Crashes ring longer than kicks; one like all crashes is as usual as one like all kicks."""
    hits = tuple(make_hit(i, "kick" if i < 200 else "crash") for i in range(400))
    rows = np.random.default_rng(0).normal(size=(400, P)) + 20.0 * (np.arange(400) >= 200)[:, None]
    z = compute_traits(hits, rows).z
    assert np.abs(z[:200].mean(axis=0) - z[200:].mean(axis=0)).max() < 0.5
    assert np.abs(z).max() <= CLIP


def test_a_role_with_one_hit_is_standardized_by_the_whole_pool():
    hits = (*(make_hit(i) for i in range(50)), make_hit(50, "china"))
    rows = np.random.default_rng(0).normal(size=(51, P))
    rows[50] = 3.0
    plain = [i for i, trace in enumerate(PRODUCTION_DESCRIPTORS) if trace.unit == "dB"]
    assert (compute_traits(hits, rows).z[50, plain] > 1.5).all()


def test_the_cost_is_symmetric_and_zero_for_a_hit_and_itself():
    pool = make_pool({"kick": 5, "snare": 6})
    traits = compute_traits(pool.hits, pool.production)
    cost = traits.rarity.cost(np.arange(11), np.arange(11))
    assert np.array_equal(cost, cost.T)
    assert (np.diag(cost) == 0.0).all()


def test_nan_in_production_does_not_propagate():
    rows = np.ones((3, P))
    rows[1] = np.nan
    traits = compute_traits(tuple(make_hit(i) for i in range(3)), rows)
    assert np.isfinite(traits.z).all()
    none = compute_traits((), np.zeros((0, P)))
    assert none.rarity.cost(none.role, none.role).shape == (0, 0)


def test_an_uncertain_role_costs_and_a_certain_one_does_not():
    hits = (make_hit(0), make_hit(1, role_confidence=0.25), make_hit(2, loudness=np.nan))
    assert role_cost(compute_traits(hits, np.zeros((3, P))), np.arange(2)).tolist() == [0.0, 0.75]
    assert hits[2].strength_lkfs == -np.inf


def traces(*steps: int) -> np.ndarray:
    return (np.array(steps, dtype=float)[:, None] * STEP) - CLIP


def test_a_common_likeness_counts_less_than_a_rare_one():
    """Kick 0 is like three of four snares, kick 1 like one: a miss of kick 0 is the greater."""
    z = traces(10, 40, 10, 10, 10, 40)
    role = np.array([0, 0, 1, 1, 1, 1])
    cost = measure_rarity(z, role).cost(np.array([2, 5]), np.array([0, 1]))
    assert cost[0, 0] == cost[1, 1] == 0.0
    snares_nearer, kicks_nearer = 4 / 4 - 1 / 4, 2 / 2 - 1 / 2  # ties are left out
    assert cost[0, 1] == pytest.approx(snares_nearer + kicks_nearer)
    assert cost[1, 0] == pytest.approx(4 / 4 - 3 / 4 + kicks_nearer)


def test_rarity_agrees_with_counting_hit_by_hit():
    rng = np.random.default_rng(1)
    z, role = rng.normal(size=(60, 3)), np.arange(60) % 4
    rarity = measure_rarity(z, role)
    rows = np.arange(60)
    step = np.rint((z + CLIP) / STEP).astype(int)
    for a, b in ((0, 1), (5, 20), (7, 30), (59, 2)):
        slow = 0.0
        for one, other in ((a, b), (b, a)):
            for trace in range(3):
                apart = abs(step[one, trace] - step[other, trace])
                mates = np.abs(step[role == role[one], trace] - step[other, trace])
                slow += ((mates <= apart).sum() - (mates == 0).sum()) / (role == role[one]).sum()
        assert rarity.cost(rows, rows)[a, b] == pytest.approx(slow / 3, abs=1e-6)


def test_random_hits_cost_one_on_average():
    z = np.random.default_rng(2).normal(size=(400, 5))
    rarity = measure_rarity(z, np.arange(400) % 2)
    cost = rarity.cost(np.arange(0, 400, 2), np.arange(1, 400, 2))
    assert cost.mean() == pytest.approx(1.0, abs=0.03)


def test_the_contributions_of_the_traces_add_up_to_the_cost():
    rng = np.random.default_rng(3)
    rarity = measure_rarity(rng.normal(size=(60, 5)), rng.integers(0, 3, 60))
    others = np.array([4, 9, 30])
    parts = rarity.cost_by_trace(2, others)
    assert parts.shape == (5,)
    assert parts.mean() == pytest.approx(rarity.cost(np.array([2]), others).mean())
