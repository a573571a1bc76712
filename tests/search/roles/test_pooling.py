"""Strokes of one drum or of one take share what is known of their roles."""

from __future__ import annotations

import numpy as np

from catalog.search.roles.pooling import pool_drums, settle_takes

UNKNOWN = np.full(20, -1)


def test_strokes_of_one_drum_vote():
    own = np.array([[0.8, 0.2], [0.7, 0.3], [0.45, 0.55]])
    assert pool_drums(own, [], UNKNOWN)[2].argmax() == 1
    assert pool_drums(own, [np.arange(3)], UNKNOWN)[2].argmax() == 0


def test_a_known_role_of_the_drum_decides_for_an_unsure_stroke():
    known = np.array([0, -1])
    assert pool_drums(np.array([[0.3, 0.7], [0.3, 0.7]]), [np.arange(2)], known)[1].argmax() == 0


def test_a_sure_closed_hat_stays_closed_beside_a_known_open_one_of_the_same_name():
    own = np.array([[0.1, 0.9], *[[0.95, 0.05]] * 9])
    known = np.array([1] + [-1] * 9)
    result = pool_drums(own, [np.arange(10)], known)
    assert (result[1:].argmax(axis=1) == 0).all()


def test_probabilities_stay_probabilities():
    own = np.random.default_rng(0).dirichlet(np.ones(4), 6)
    result = pool_drums(own, [np.array([0, 2, 4]), np.array([1, 5])], UNKNOWN)
    np.testing.assert_allclose(result.sum(axis=1), 1.0)
    assert np.array_equal(result[3], own[3])


def test_an_unsure_stroke_follows_the_majority_of_its_take_and_a_sure_one_does_not():
    own = np.array([[0.9, 0.1]] * 4 + [[0.4, 0.6], [0.1, 0.9]])
    result = settle_takes(own, [np.arange(6)])
    assert result.argmax(axis=1).tolist() == [0, 0, 0, 0, 0, 1]


def test_a_take_of_several_drums_settles_nothing():
    own = np.array([[0.9, 0.1]] * 2 + [[0.2, 0.8]] * 2 + [[0.55, 0.45]])
    assert np.array_equal(settle_takes(own, [np.arange(5)]), own)
