"""Role probabilities are corrected by known roles nearby."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF

from catalog.search.roles import regression
from catalog.search.roles.regression import Examples, correct_probabilities, gaussian


def make_examples(rows, roles, *, by_user=True):
    return Examples(np.array(rows), np.array(roles), np.full(len(rows), by_user))


def test_the_correction_is_that_of_a_gaussian_process():
    # scikit-learn, "Gaussian Processes", GaussianProcessRegressor: an independent implementation.
    rng = np.random.default_rng(0)
    points, prior = rng.normal(size=(30, 3)), rng.dirichlet(np.ones(4), 30)
    examples = make_examples(np.arange(12), rng.integers(0, 4, 12))
    reference = GaussianProcessRegressor(RBF(1.0, "fixed"), alpha=regression.RIDGE_USER)
    reference.fit(points[:12], np.eye(4)[examples.roles] - prior[:12])
    expected = np.clip(prior + reference.predict(points), 0, None)
    expected /= expected.sum(axis=1, keepdims=True)
    result = correct_probabilities(points, prior, examples, width=1.0)
    np.testing.assert_allclose(result, expected, atol=1e-4)


def test_hits_near_an_example_follow_it_and_far_ones_keep_the_probabilities_of_their_sound():
    points = np.array([[0.0], [0.3], [9.0]])
    prior = np.tile([0.6, 0.4], (3, 1))
    result = correct_probabilities(points, prior, make_examples([0], [1]))
    assert result[:2].argmax(axis=1).tolist() == [1, 1]
    assert result[2] == pytest.approx([0.6, 0.4])


def test_a_role_that_the_user_set_outweighs_one_from_a_name():
    points, prior = np.zeros((3, 1)), np.full((3, 2), 0.5)
    mixed = Examples(np.array([0, 1]), np.array([0, 1]), np.array([True, False]))
    assert correct_probabilities(points, prior, mixed)[2].argmax() == 0


def test_more_examples_than_centers_still_correct_all(monkeypatch):
    monkeypatch.setattr(regression, "MAX_CENTERS", 20)
    monkeypatch.setattr(regression, "BLOCK", 7)
    rng = np.random.default_rng(1)
    points = np.concatenate([rng.normal(size=(50, 2)), 8 + rng.normal(size=(50, 2))])
    roles = np.repeat([0, 1], 50)
    examples = make_examples(np.arange(0, 100, 2), roles[::2])
    result = correct_probabilities(points, np.full((100, 2), 0.5), examples)
    assert (result.argmax(axis=1) == roles).mean() > 0.95


def test_without_examples_nothing_changes():
    prior = np.array([[0.7, 0.3]])
    none = make_examples(np.zeros(0, int), np.zeros(0, int))
    assert np.array_equal(correct_probabilities(np.zeros((1, 2)), prior, none), prior)


def test_the_kernel_is_one_at_distance_zero_and_falls_as_a_gaussian():
    assert gaussian([[0.0, 0.0]], [[0.0, 0.0], [3.0, 4.0]], 5.0)[0] == pytest.approx(
        [1.0, np.exp(-0.5)]
    )
