"""Steps of the power are those that were made, and steady noise has none."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.segmentation.flux import spectral_flux
from catalog.features.segmentation.rises import LEAST_STEP
from catalog.features.segmentation.steps import AFTER, BEFORE, measure_steps, steps_db
from tests.signals import SR

STEP_OF_NOISE_DB = 0.5  # two parts of 15 ms of a band of 3,700 Hz differ by 0.6 dB at random


def noise(n: int, *, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n).astype(np.float32)


def test_a_step_between_constant_levels_is_their_difference_and_lies_between_them():
    levels = np.where(np.arange(60) < 30, -50.0, -44.0).astype(np.float32)[None]
    steps = steps_db(levels)[0]
    assert steps[30 - AFTER[0] : 30 - BEFORE[1]] == pytest.approx(6.0, abs=1e-3)
    assert steps[: 30 - AFTER[1]] == pytest.approx(0.0, abs=1e-3)
    assert steps[30 - BEFORE[0] :] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("n", [0, 1, 13, 14])
def test_short_takes_have_finite_steps(n):
    assert np.isfinite(steps_db(np.zeros((3, n), np.float32))).all()


def test_steady_noise_exceeds_the_limit_of_candidates_hardly_ever():
    steps = measure_steps(spectral_flux(noise(20 * SR, seed=1), sr=SR).levels)
    assert np.mean(steps >= LEAST_STEP) < 0.001


@pytest.mark.parametrize("gain_db", [2.0, 3.0])
def test_noise_that_grows_by_little_is_a_step_where_it_grows(gain_db):
    mono = 0.01 * noise(2 * SR, seed=2)
    mono[SR:] *= 10 ** (gain_db / 20)
    found = spectral_flux(mono, sr=SR)
    steps = measure_steps(found.levels)
    assert int(np.argmax(steps)) * found.hop / SR == pytest.approx(1.0, abs=0.012)
    assert steps.max() > LEAST_STEP
    assert steps_db(found.levels)[-1, np.argmax(steps)] == pytest.approx(
        gain_db, abs=3 * STEP_OF_NOISE_DB
    )


def test_a_change_of_gain_changes_no_step():
    levels = spectral_flux(0.1 * noise(SR, seed=3), sr=SR).levels
    assert measure_steps(levels) == pytest.approx(measure_steps(levels - 12.0), abs=1e-2)
