"""The grid of a performance is found from gaps that are multiples of it."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.segmentation.grid import MOST_UNITS, ON_GRID, find_unit, is_on_grid
from catalog.features.segmentation.likelihood.tempo import CERTAIN, OFF_LOGIT, ON_LOGIT, favor_grid

UNIT_S = 0.2
PLAYED = np.array([0, 1, 2, 4, 5, 8, 9, 10, 12, 13, 14, 16]) * UNIT_S + 0.5  # with pauses


def test_the_unit_of_a_pattern_with_pauses_is_found():
    onsets_s = PLAYED + np.random.default_rng(1).normal(scale=0.003, size=len(PLAYED))
    unit_s, share = find_unit(onsets_s)
    assert unit_s == pytest.approx(UNIT_S, rel=0.06)
    assert share >= ON_GRID


def test_strokes_at_random_lie_on_no_grid():
    shares = [
        find_unit(np.cumsum(np.random.default_rng(seed).uniform(0.25, 1.8, 16)))[1]
        for seed in range(20)
    ]
    assert np.mean(np.array(shares) >= ON_GRID) <= 0.05


def test_times_on_the_grid_agree_with_every_onset_tried_one_by_one():
    at_s = np.sort(np.random.default_rng(2).uniform(0, 4, 200))
    near = [max((o for o in PLAYED if o < t), default=None) for t in at_s]
    after = [min((o for o in PLAYED if o >= t), default=None) for t in at_s]
    expected = [
        any(
            o is not None and 1 <= (n := round(abs(t - o) / UNIT_S)) <= MOST_UNITS
            and abs(abs(t - o) - n * UNIT_S) <= 0.02
            for o in pair
        )
        for t, *pair in zip(at_s, near, after, strict=True)
    ]  # fmt: skip
    assert is_on_grid(at_s, PLAYED, UNIT_S, off_s=0.02).tolist() == expected


def test_a_doubtful_rise_gains_on_the_grid_and_loses_elsewhere():
    at_s = np.sort(np.concatenate([PLAYED, [0.5 + 3 * UNIT_S, 0.5 + 6.5 * UNIT_S]]))
    likelihoods = np.where(np.isin(at_s, PLAYED), 0.99, 0.3)
    changed = favor_grid(likelihoods, at_s)
    on_grid, off_grid = changed[~np.isin(at_s, PLAYED)]
    assert np.log(on_grid / (1 - on_grid)) == pytest.approx(np.log(0.3 / 0.7) + ON_LOGIT)
    assert np.log(off_grid / (1 - off_grid)) == pytest.approx(np.log(0.3 / 0.7) - OFF_LOGIT)
    assert (changed[np.isin(at_s, PLAYED)] == 0.99).all()


@pytest.mark.parametrize("n", [0, 1, 7])
def test_few_certain_strokes_show_no_grid(n):
    at_s = np.arange(n + 1) * UNIT_S
    likelihoods = np.append(np.full(n, CERTAIN), 0.3)
    assert favor_grid(likelihoods, at_s).tolist() == likelihoods.tolist()


def test_uneven_strokes_change_no_likelihood():
    at_s = np.cumsum([0.3, 0.41, 0.77, 0.29, 1.31, 0.53, 0.91, 0.37, 1.13, 0.61, 0.83])
    likelihoods = np.append(np.full(10, 0.99), 0.3)
    assert favor_grid(likelihoods, at_s).tolist() == likelihoods.tolist()
