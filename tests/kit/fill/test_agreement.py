"""What a likeness is worth, against counting by hand and by brute force."""

import numpy as np
import pytest

from catalog.kit.fill.coherence import STEPS, weigh_agreement

LIMIT = 4.0
STEP = 2.0 * LIMIT / (STEPS - 1)


def places(*steps: int) -> np.ndarray:
    return (np.array(steps, dtype=float)[:, None] * STEP) - LIMIT


def test_a_likeness_that_all_share_tells_less_than_a_rare_one() -> None:
    """Kick 0 is like three of four snares, kick 1 like one: a miss of kick 0 is the greater."""
    z = places(10, 40, 10, 10, 10, 40)
    role = np.array([0, 0, 1, 1, 1, 1])
    cost = weigh_agreement(z, role, limit=LIMIT).cost(np.array([2, 5]), np.array([0, 1]))
    assert cost[0, 0] == cost[1, 1] == 0.0
    snares_nearer, kicks_nearer = 4 / 4 - 1 / 4, 2 / 2 - 1 / 2  # ties at the place are left out
    assert cost[0, 1] == pytest.approx(snares_nearer + kicks_nearer)
    assert cost[1, 0] == pytest.approx(4 / 4 - 3 / 4 + kicks_nearer)


def test_it_agrees_with_counting_one_by_one() -> None:
    rng = np.random.default_rng(1)
    z, role = rng.normal(size=(60, 3)), np.arange(60) % 4
    weighed = weigh_agreement(z, role, limit=LIMIT)
    rows = np.arange(60)
    step = np.rint((z + LIMIT) / STEP).astype(int)
    for a, b in ((0, 1), (5, 20), (7, 30), (59, 2)):
        slow = 0.0
        for one, other in ((a, b), (b, a)):
            for trace in range(3):
                apart = abs(step[one, trace] - step[other, trace])
                mates = np.abs(step[role == role[one], trace] - step[other, trace])
                slow += ((mates <= apart).sum() - (mates == 0).sum()) / (role == role[one]).sum()
        assert weighed.cost(rows, rows)[a, b] == pytest.approx(slow / 3, abs=1e-6)


def test_hits_taken_at_random_cost_one_on_average() -> None:
    z = np.random.default_rng(2).normal(size=(400, 5))
    weighed = weigh_agreement(z, np.arange(400) % 2, limit=LIMIT)
    rows = np.arange(400)
    assert weighed.cost(rows[::2], rows[1::2]).mean() == pytest.approx(1.0, abs=0.03)


def test_an_empty_pool_has_no_costs() -> None:
    none = np.zeros(0, dtype=np.int64)
    weighed = weigh_agreement(np.zeros((0, 3)), none, limit=LIMIT)
    assert weighed.cost(none, none).shape == (0, 0)


def test_the_parts_of_the_traces_make_up_the_cost() -> None:
    rng = np.random.default_rng(3)
    agreement = weigh_agreement(rng.normal(size=(60, 5)), rng.integers(0, 3, 60), limit=4.0)
    others = np.array([4, 9, 30])
    parts = agreement.cost_by_trace(2, others)
    assert parts.shape == (5,)
    assert parts.mean() == pytest.approx(agreement.cost(np.array([2]), others).mean())
