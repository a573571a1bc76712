"""Roles are estimated from names and from the user's roles; known roles never change."""

from __future__ import annotations

import numpy as np

from catalog.search.roles.estimates import taught_probabilities
from catalog.search.roles.regression import Examples

NONE = Examples(np.zeros(0, int), np.zeros(0, int), np.zeros(0, bool))


def test_strokes_of_one_drum_vote():
    prior = np.array([[0.8, 0.2], [0.7, 0.3], [0.45, 0.55]])
    points = 100.0 * np.eye(3)
    assert taught_probabilities(points, prior, NONE, [])[2].argmax() == 1
    assert taught_probabilities(points, prior, NONE, [np.arange(3)])[2].argmax() == 0


def test_a_known_role_of_the_drum_decides_for_a_stroke_that_sounds_far_from_it():
    prior, points = np.array([[0.3, 0.7], [0.3, 0.7]]), 100.0 * np.eye(2)
    known = Examples(np.array([0]), np.array([0]), np.array([True]))
    assert taught_probabilities(points, prior, known, [np.arange(2)])[1].argmax() == 0


def test_a_sure_closed_hat_stays_closed_beside_a_known_open_one_of_the_same_name():
    prior = np.array([[0.1, 0.9], *[[0.95, 0.05]] * 9])
    known = Examples(np.array([0]), np.array([1]), np.array([True]))
    result = taught_probabilities(100.0 * np.eye(10), prior, known, [np.arange(10)])
    assert (result[1:].argmax(axis=1) == 0).all()
