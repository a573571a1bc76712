"""Roles are classified from known roles nearby and from the shipped model."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import check_grad
from sklearn.gaussian_process import GaussianProcessClassifier
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from catalog.search.roles import classification
from catalog.search.roles.classification import (
    Examples,
    Sounds,
    fit_process,
    gaussian,
    likelihood,
    likelihood_slope,
    softmax,
)

FAR = 100.0  # no kernel reaches so far
MODE_TOLERANCE = 5e-3  # of probabilities; both optimizers stop near the mode
NEWTON_TOLERANCE = 0.06  # one Newton step instead of a fit without the example


def make_sounds(points, prior):
    """Return sounds with equal positions in the acoustic space, so that only strokes differ."""
    points = np.asarray(points, float)
    return Sounds(points, FAR * np.arange(len(points))[:, None], np.asarray(prior, float))


def make_examples(rows, roles, certainty=0.9999):
    return Examples(np.array(rows), np.array(roles), np.full(len(rows), certainty))


def test_two_roles_are_those_of_a_gaussian_process_classifier():
    # scikit-learn, GaussianProcessClassifier (Laplace approximation, logistic link): an independent
    # implementation. The difference of two processes has twice the variance of one.
    rng = np.random.default_rng(0)
    points, roles = rng.normal(size=(25, 2)), rng.integers(0, 2, 25)
    variance = 2 * (classification.STROKE_WEIGHT) + 0.0
    shape = ConstantKernel(variance, "fixed") * RBF(classification.STROKE_WIDTH, "fixed")
    own = ConstantKernel(2 * classification.ACOUSTIC_WEIGHT, "fixed") * RBF(1e-3, "fixed")
    reference = GaussianProcessClassifier(shape + own, optimizer=None).fit(points, roles)
    expected = reference.base_estimator_.pi_  # probability of role 1 at the mode
    sounds = make_sounds(points, np.full((25, 2), 0.5))
    result = fit_process(sounds, make_examples(np.arange(25), roles, 1 - 1e-9)).probabilities()
    np.testing.assert_allclose(result[:, 1], expected, atol=MODE_TOLERANCE)


def test_hits_near_an_example_follow_it_and_far_ones_keep_the_probabilities_of_their_sound():
    sounds = make_sounds([[0.0], [0.3], [FAR]], np.tile([0.6, 0.4], (3, 1)))
    result = fit_process(sounds, make_examples([0], [1])).probabilities()
    assert result[:2].argmax(axis=1).tolist() == [1, 1]
    assert result[2] == pytest.approx([0.6, 0.4])


def test_a_certain_role_outweighs_an_uncertain_one_beside_it():
    sounds = make_sounds(np.zeros((3, 1)), np.full((3, 2), 0.5))
    mixed = Examples(np.array([0, 1]), np.array([0, 1]), np.array([0.999, 0.6]))
    assert fit_process(sounds, mixed).probabilities()[2].argmax() == 0


def test_an_example_left_out_is_judged_as_by_a_fit_without_it():
    rng = np.random.default_rng(3)
    points = np.concatenate([rng.normal(size=(12, 2)), rng.normal(size=(12, 2)) + 2])
    roles = np.repeat([0, 1], 12)
    roles[5] = 1
    sounds = make_sounds(points, np.full((24, 2), 0.5))
    rows = np.arange(24)
    found = fit_process(sounds, make_examples(rows, roles, 0.98)).left_out()
    expected = [
        fit_process(sounds, make_examples(rows[rows != k], roles[rows != k], 0.98)).probabilities()
        for k in rows
    ]
    exact = np.array([result[k] for k, result in enumerate(expected)])
    assert np.abs(found - exact).mean() < NEWTON_TOLERANCE
    assert found[5].argmax() == 0  # its own wrong role has no effect on it


def test_the_slope_is_the_derivative_of_the_likelihood():
    examples = make_examples([0], [1], 0.9)

    def value(logits):
        return float(np.log(likelihood(softmax(logits[None]), examples))[0])

    def slope(logits):
        return likelihood_slope(softmax(logits[None]), examples)[0]

    assert check_grad(value, slope, np.array([0.3, -1.0, 0.5])) < 1e-6


def test_more_examples_than_centers_still_teach_all(monkeypatch):
    monkeypatch.setattr(classification, "MAX_CENTERS", 20)
    monkeypatch.setattr(classification, "BLOCK", 7)
    rng = np.random.default_rng(1)
    points = np.concatenate([rng.normal(size=(50, 2)), 8 + rng.normal(size=(50, 2))])
    roles, rows = np.repeat([0, 1], 50), rng.permutation(100)[:50]
    process = fit_process(
        make_sounds(points, np.full((100, 2), 0.5)), make_examples(rows, roles[rows])
    )
    assert (process.probabilities().argmax(axis=1) == roles).mean() > 0.95


def test_without_examples_nothing_changes():
    prior = np.array([[0.7, 0.3]])
    result = fit_process(make_sounds([[0.0]], prior), make_examples(np.zeros(0, int), []))
    assert result.probabilities() == pytest.approx(prior)


def test_the_gaussian_is_one_at_distance_zero_and_falls_with_its_square():
    assert gaussian([[0.0, 0.0]], [[0.0, 0.0], [3.0, 4.0]], 5.0)[0] == pytest.approx(
        [1.0, np.exp(-0.5)]
    )
