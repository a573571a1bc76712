"""Rises are compared with the certain strokes of their take."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.segmentation.likelihood.resemblance import (
    FAR_DB,
    MOST_CERTAIN,
    N_NUMBERS,
    describe_resemblance,
    is_uncertain,
    limit_second,
)
from catalog.features.segmentation.likelihood.surroundings import (
    FINE_FRAMES,
    GROUPS,
    STEP_COLUMNS,
    own_spectra,
)

N_BANDS, N_FRAMES = GROUPS[-1], len(FINE_FRAMES)


def describe(spectrum_db: np.ndarray, raised_db: np.ndarray) -> np.ndarray:
    """Return the inputs of a rise with this spectrum and this rise of each band."""
    return np.concatenate([np.repeat(raised_db, N_FRAMES), spectrum_db])


FLAT, HIGH = np.zeros(N_BANDS), np.linspace(-30.0, 0.0, N_BANDS)
DRUM, OTHER = describe(HIGH, HIGH + 31.0), describe(HIGH[::-1], FLAT)


def test_the_spectrum_and_the_rises_of_the_bands_are_read_from_the_inputs():
    shapes, raised = own_spectra(DRUM[None])
    assert shapes[0] == pytest.approx(HIGH)
    assert raised[0] == pytest.approx(HIGH + 31.0)


def test_a_rise_like_a_certain_stroke_is_near_it_and_another_is_far():
    inputs, at_s = np.stack([DRUM, DRUM, OTHER]), np.array([1.0, 2.0, 3.0])
    numbers = describe_resemblance(inputs, at_s, np.array([0.99, 0.5, 0.5]))
    assert numbers.shape == (3, N_NUMBERS)
    assert numbers[1] == pytest.approx([0.0, 0.0, 1.0], abs=1e-3)
    rms_db = np.sqrt(np.mean(np.square(HIGH - HIGH[::-1])))
    assert numbers[2] == pytest.approx([0.0, min(rms_db, FAR_DB) / 10, 0.0], abs=1e-3)


def test_a_rise_is_not_compared_with_its_own_stroke():
    inputs, at_s = np.stack([DRUM, DRUM]), np.array([1.0, 1.03])
    numbers = describe_resemblance(inputs, at_s, np.array([0.99, 0.5]))
    assert numbers[:, 1:] == pytest.approx(np.array([[FAR_DB / 10, 0.0]] * 2))


@pytest.mark.parametrize("likelihood", [0.0, 1.0])
def test_certain_likelihoods_give_finite_numbers(likelihood):
    n = 2 * MOST_CERTAIN + 1
    inputs, likelihoods = np.repeat(DRUM[None], n, axis=0), np.full(n, likelihood)
    numbers = describe_resemblance(inputs, np.arange(n, dtype=float), likelihoods)
    assert np.isfinite(numbers).all()
    assert not is_uncertain(likelihoods).any()


@pytest.mark.parametrize(
    ("rise_db", "flux_db", "n_risen", "expected"),
    [
        (4.0, 0.7, 8, [0.1, 0.3]),
        (4.0, 0.7, 12, [0.7, 0.3]),
        (15.0, 2.0, 0, [0.7, 0.3]),
        (22.0, 4.1, 0, [0.7, 0.6]),
    ],
)
def test_faint_rises_are_not_raised_and_clear_ones_are_not_lowered(
    rise_db, flux_db, n_risen, expected
):
    inputs = np.zeros((2, 30))
    inputs[:, STEP_COLUMNS][:, :n_risen] = 2.0
    inputs[:, -5], inputs[:, -1] = rise_db, flux_db
    first, second = np.array([0.1, 0.6]), np.array([0.7, 0.3])
    assert limit_second(inputs, first, second) == pytest.approx(expected)
