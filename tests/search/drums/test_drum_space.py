"""The space learned from known drums, on drums whose spreads are known."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.search.drums.drum_space import (
    MIN_DRUMS,
    average_precisions,
    fit_axes,
    learn_drum_space,
    nearest_siblings,
    spread_within,
)

N_DIMS = 60


def make_drums(n_drums, n_strokes=6, *, seed=0, noisy=10, noise=3.0):
    """Return strokes and drums; the first `noisy` dimensions vary within drums alone."""
    rng = np.random.default_rng(seed)
    centers = rng.normal(size=(n_drums, N_DIMS))
    centers[:, :noisy] = 0.0
    drums = np.repeat(np.arange(n_drums), n_strokes)
    points = centers[drums] + 0.8 * rng.normal(size=(len(drums), N_DIMS))
    points[:, :noisy] += noise * rng.normal(size=(len(drums), noisy))
    return points, drums


def test_strokes_of_drums_that_were_not_named_are_found_better():
    points, drums = make_drums(40)
    is_named, rows = drums < 20, np.flatnonzero(drums >= 20)
    space = learn_drum_space(points[is_named], drums[is_named], points)
    before = average_precisions(points, drums, rows).mean()
    after = average_precisions(points @ space.axes, drums, rows).mean()
    assert after > before + 0.2
    assert (space.n_drums, space.n_strokes) == (20, 120)
    assert space.gain > 0.2


def test_names_that_are_of_no_drum_teach_nothing():
    points, drums = make_drums(40)
    names = np.random.default_rng(5).permutation(drums)
    assert learn_drum_space(points, names, points) is None


def test_few_drums_and_single_strokes_teach_nothing():
    for n_drums, n_strokes in ((MIN_DRUMS - 1, 20), (20, 2)):
        points, drums = make_drums(n_drums, n_strokes)
        assert learn_drum_space(points, drums, points) is None
    assert learn_drum_space(points, np.arange(len(points)), points) is None


def test_the_nearest_strokes_of_a_drum_stay_as_far_apart():
    points, drums = make_drums(12, seed=3)
    axes = fit_axes(points, drums, points)
    before, after = (nearest_siblings(p, drums) for p in (points, points @ axes))
    assert np.median(after) == pytest.approx(np.median(before))
    first = np.linalg.norm(points[1:6] - points[0], axis=1).min()
    assert before[0] == pytest.approx(first)


def test_the_spread_within_drums_equals_the_mean_covariance_of_drums_of_equal_size():
    points, drums = make_drums(12, seed=3)
    spread, n_repeated = spread_within(points, drums)
    each = [np.cov(points[drums == drum].T) for drum in range(12)]
    assert spread == pytest.approx(np.mean(each, axis=0))
    assert n_repeated == 12 * 5


def test_average_precision_equals_that_of_scikit_learn():
    from sklearn.metrics import average_precision_score

    points, drums = make_drums(6, seed=4)
    rows = np.array([0, 7, 20])
    for row, ours in zip(rows, average_precisions(points, drums, rows), strict=True):
        others = np.delete(np.arange(len(points)), row)
        distance = np.linalg.norm(points[others] - points[row], axis=1)
        theirs = average_precision_score(drums[others] == drums[row], -distance)
        assert ours == pytest.approx(theirs)
