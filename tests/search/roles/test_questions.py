"""The hits that are worth naming are those whose role decides most others."""

from __future__ import annotations

import numpy as np

from catalog.search.roles.classification import Examples, Sounds, fit_process, kernel
from catalog.search.roles.questions import ANSWER_NOISE, _posterior, choose, impurity

FAR = 100.0


def make_process(points, rows=(), roles=()):
    points = np.asarray(points, float)
    sounds = Sounds(points, FAR * np.arange(len(points))[:, None], np.full((len(points), 3), 1 / 3))
    examples = Examples(np.array(rows, int), np.array(roles, int), np.full(len(rows), 0.99))
    return fit_process(sounds, examples)


def test_impurity_is_the_chance_that_two_draws_differ():
    assert impurity(np.array([[1.0, 0.0], [0.5, 0.5]])).tolist() == [0.0, 0.5]


def test_a_hit_in_a_crowd_comes_before_a_lone_one_that_is_less_certain():
    crowd = [[0.0], [1.0], [-1.0], [2.0], [-2.0]]
    uncertainty = np.array([0.6] * 5 + [0.66])
    (first,) = choose(make_process([*crowd, [FAR]]), uncertainty, 1)
    assert (first.row, first.group.tolist(), first.n_affected) == (0, [0], 2)


def test_hits_that_sound_nearly_the_same_are_named_at_once_the_middle_one_first():
    points = [[0.0], [0.3], [-0.3], [5.0]]
    first = choose(make_process(points), np.full(4, 0.5), 1)[0]
    assert (first.row, sorted(first.group.tolist()), first.group[0]) == (0, [0, 1, 2], 0)


def test_what_an_answer_would_settle_is_not_asked_again():
    points = [[0.0], [0.95], [FAR], [FAR + 5]]
    rows = [choice.row for choice in choose(make_process(points), np.full(4, 0.5), 3)]
    assert len({row // 2 for row in rows[:2]}) == 2


def test_certain_and_known_hits_are_never_asked():
    assert choose(make_process([[0.0], [1.0]]), np.zeros(2), 5) == []


def test_the_covariance_given_known_hits_is_that_of_a_gaussian_process():
    # Rasmussen and Williams, "Gaussian Processes for Machine Learning", equation 2.24.
    points = np.random.default_rng(0).normal(size=(8, 2))
    process = make_process(points, rows=[0, 1, 2], roles=[0, 1, 2])
    a, known = process.sounds.at(slice(3, 8)), process.sounds.at(slice(0, 3))
    noisy = kernel(known, known) + ANSWER_NOISE * np.eye(3)
    expected = kernel(a, a) - kernel(a, known) @ np.linalg.solve(noisy, kernel(known, a))
    result = _posterior(process, np.arange(3, 8), np.arange(3, 8))
    np.testing.assert_allclose(result, expected, atol=1e-3)
