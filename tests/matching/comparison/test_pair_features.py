"""Features of a pair: a fit removes filters and drive, and makes no stroke a copy of another."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from catalog.features.embedding.spectrogram import SR
from catalog.matching.comparison.pair_features import (
    FEATURE_NAMES,
    PairCells,
    TransferFits,
    count_strong_bins,
    gain_spread_db,
    percentiles,
)
from tests.matching.hits import best_pair, views
from tests.signals import drum_stroke

STROKE = drum_stroke(130, seed=5, sr=SR).astype(np.float64)
IN_PHASE = FEATURE_NAMES.index("in_phase_db")


def features(first: np.ndarray, second: np.ndarray) -> dict[str, float]:
    return dict(zip(FEATURE_NAMES, fits(first, second).features(), strict=True))


def fits(first: np.ndarray, second: np.ndarray) -> TransferFits:
    return TransferFits(*best_pair(views(first, SR), views(second, SR)))


def test_a_nonlinear_fit_removes_drive():
    fitted = features(STROKE, np.tanh(3.0 * STROKE))
    assert fitted["unfitted_db"] < 25.0
    assert fitted["mean_db"] > fitted["unfitted_db"] + 5.0


@pytest.mark.parametrize("seed", range(6, 12))
def test_no_fit_makes_another_stroke_a_copy(seed):
    assert features(STROKE, drum_stroke(130, seed=seed, sr=SR))["mean_db"] < 8.0


def test_hits_without_overlap_still_have_features():
    short = features(STROKE[480:486], STROKE[-4000:])
    assert short["n_cells"] == 0
    assert np.isnan(short["mean_db"])


def test_more_models_never_lower_the_in_phase_score():
    filtered = np.convolve(STROKE, [1.0, 0.4])[: len(STROKE)]
    filtered += 1e-3 * np.random.default_rng(5).normal(size=len(filtered))
    models = fits(STROKE, filtered)
    scores = [models.features(n)[IN_PHASE] for n in (1, 2, 4)]
    assert scores == sorted(scores)


def test_the_first_direction_starts_at_the_signal_without_drive():
    driven = np.tanh(4.0 * STROKE / np.abs(STROKE).max())
    both = [fits(STROKE, driven), fits(driven, STROKE)]
    nonlinear = [models.features(2) for models in both]
    assert nonlinear[0] == pytest.approx(nonlinear[1], rel=0.02, abs=0.5)
    for models, values in zip(both, nonlinear, strict=True):
        assert values[IN_PHASE] > models.features(1)[IN_PHASE] + 3.0


@given(arrays(np.float32, st.integers(1, 40), elements=st.floats(-40, 40, width=32)))
def test_statistics_of_cells_equal_those_of_numpy(values):
    # against numpy.percentile and numpy.median
    percents = [0, 10, 25, 50, 90, 100]
    expected = np.percentile(values, percents)
    assert percentiles(values, *percents) == pytest.approx(expected, abs=1e-4)
    segment = np.repeat([0, 2], [len(values) // 3, len(values) - len(values) // 3])
    cells = PairCells(values, values, values, values, values, segment)
    deviations = [values[segment == k] - np.median(values[segment == k]) for k in set(segment)]
    expected = np.sqrt(np.mean(np.concatenate(deviations) ** 2))
    assert gain_spread_db(cells) == pytest.approx(expected, abs=1e-4)


def test_equal_bins_are_counted_and_weak_ones_are_not():
    spectrum = np.array([2.0, 2j, -2.0, 2.0, 1e-6, 0.0])
    assert count_strong_bins([spectrum, spectrum[:2]]) == pytest.approx(4 + 2)
    assert count_strong_bins([np.zeros(5, complex)]) == 0.0


def test_a_gain_that_changes_over_time_leaves_no_remainder_and_another_tone_does():
    fade = np.linspace(1.0, 0.2, len(STROKE))
    faded = fits(STROKE, STROKE * fade)
    assert faded.remainder().below_db > 30
    hum = 0.1 * np.sin(2 * np.pi * 1_000 / SR * np.arange(len(STROKE)))
    with_hum = fits(STROKE, STROKE + hum).remainder()
    assert with_hum.below_db < faded.remainder().below_db - 10
    assert with_hum.spread < 1.0  # a tone is in fewer bins than the stroke
