"""What is learned from choices of a simulated person whose preference is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from catalog.search.taste.preference import (
    MIN_CHOICES,
    NUMBERS,
    PRIOR,
    Choice,
    learn_preference,
    make_traits,
)

N = 400


@pytest.fixture
def traits():
    rng = np.random.default_rng(0)
    roles = np.array(["snare", "kick"])[rng.integers(0, 2, N)]
    sessions = np.array(["barn", "loft", "attic", ""])[rng.integers(0, 4, N)]
    numbers = np.exp(rng.normal(size=(N, len(NUMBERS))) + 3.0 * (roles == "kick")[:, None])
    return make_traits(np.arange(10, 10 + N), roles, sessions, numbers)


def hidden_value(traits):
    """Darker, shorter, from the barn."""
    return -traits.z[:, 0] - traits.z[:, 1] + 1.5 * (traits.sessions == "barn")


def choose(traits, n, *, seed=1, n_offered=4):
    """Return choices of the best of a few hits at random over one of the others."""
    rng, value = np.random.default_rng(seed), hidden_value(traits)
    choices = []
    for _ in range(n):
        rows = rng.choice(N, n_offered, replace=False)
        best = rows[value[rows].argmax()]
        other = next(row for row in rows if row != best)
        choices.append(Choice("swapped", int(best) + 10, int(other) + 10))
    return choices


def agreement(preference, traits):
    """Return the rank correlation of learned and hidden values over all hits."""
    from scipy.stats import spearmanr

    values = preference.values(traits, np.arange(N))
    return spearmanr(values, hidden_value(traits)).statistic


def test_ten_choices_show_what_is_preferred_and_more_show_it_better(traits):
    ten = learn_preference(choose(traits, 10), traits)
    many = learn_preference(choose(traits, 60), traits)
    assert agreement(ten, traits) > 0.6
    assert agreement(many, traits) > 0.85
    assert set(many.words()[:3]) == {"darker", "shorter", "from barn"}
    assert (ten.n_choices, many.n_choices) == (10, 60)


def test_fewer_choices_of_present_hits_teach_nothing(traits):
    choices = choose(traits, MIN_CHOICES - 1)
    gone = [Choice("master", 99_999)] * 5
    light = [Choice("kit", 10 + i, weight=0.1) for i in range(50)]
    assert learn_preference([*choices, *gone, *light], traits) is None
    assert learn_preference([*choices, Choice("master", 10)], traits) is not None


def test_the_weights_are_those_of_a_general_optimizer(traits):
    """The posterior of a logistic model with a normal prior, by scipy's BFGS."""
    choices = [Choice("master", 10 + i) for i in range(12)]
    ours = learn_preference(choices, traits)
    names = sorted(ours.sessions)
    table = [
        [*traits.z[i], *((traits.sessions[i] == n) - np.mean(traits.sessions == n) for n in names)]
        for i in range(12)
    ]

    def loss(weights):
        fit = np.log1p(np.exp(-np.array(table) @ weights)).sum()
        return fit + np.square(weights).sum() / (2 * PRIOR**2)

    theirs = minimize(loss, np.zeros(len(NUMBERS) + len(names))).x
    learned = [*ours.weights, *(ours.sessions[name] for name in names)]
    assert learned == pytest.approx(theirs.tolist(), abs=1e-4)


def test_numbers_are_relative_to_the_role_and_unknown_ones_count_as_average():
    numbers = np.array([[100.0] * 5, [400.0] * 5, [5.0] * 5, [np.nan] * 5, [0.0] * 5])
    roles = np.array(["kick", "kick", "hat_closed", "kick", "kick"])
    traits = make_traits(np.arange(5), roles, np.array([""] * 5), numbers)
    assert traits.z[:2, 0].tolist() == pytest.approx([-1.0, 1.0])
    assert not traits.z[2:].any()
    assert traits.rows_of([4, 7, -1, 0]).tolist() == [4, -1, -1, 0]


def test_values_stay_within_one_and_are_zero_for_hits_that_are_gone(traits):
    preference = learn_preference(choose(traits, 60), traits)
    values = preference.values(traits, np.array([-1, *range(N)]))
    assert values[0] == 0.0
    assert np.abs(values).max() <= 1.0
