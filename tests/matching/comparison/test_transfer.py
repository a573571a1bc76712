"""Transfer models: filters and gains whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from catalog.features.embedding.spectrogram import SR
from catalog.matching.comparison.transfer import (
    N_TAPS,
    POLES_HZ,
    TransferModel,
    estimate_alignment,
    fit_transfer,
)
from tests.matching.hits import best_pair, views
from tests.signals import drum_stroke

STROKE = drum_stroke(130, seed=5, sr=SR).astype(np.float64)
GAIN_TOLERANCE_DB = 0.1
NO_RESIDUAL_DB = -40.0  # rounding a loud hit to 16 bits leaves less


def alignment(y: np.ndarray):
    return estimate_alignment(*best_pair(views(STROKE, SR), views(y, SR)))


def test_offset_gain_and_polarity_are_those_that_were_applied():
    result = alignment(np.concatenate([np.zeros(2205), -0.25 * STROKE]))
    assert result.offset_s == pytest.approx(0.05, abs=1e-5)
    assert result.gain_db == pytest.approx(-12.04, abs=GAIN_TOLERANCE_DB)
    assert result.polarity == -1
    assert result.residue_db < NO_RESIDUAL_DB


def test_the_fitted_filter_is_the_one_that_was_applied():
    result = alignment(np.convolve(STROKE, [0.0, 1.0, 0.5, -0.25])[: len(STROKE)])
    taps = result.taps / result.taps[np.argmax(np.abs(result.taps))]
    at = int(np.argmax(np.abs(taps)))
    assert taps.shape == (N_TAPS,)
    assert np.sort(np.abs(taps))[-3:] == pytest.approx([0.25, 0.5, 1.0], abs=0.02)
    assert min(abs(taps[at - 1] - 0.5), abs(taps[at + 1] - 0.5)) < 0.02
    assert result.residue_db < NO_RESIDUAL_DB


def test_a_filter_with_slow_poles_is_applied_as_by_scipy():
    # against scipy.signal.lfilter, one pole after the other
    rng = np.random.default_rng(2)
    x, taps, weights = rng.normal(size=3_000), rng.normal(size=N_TAPS), rng.normal(size=8)
    expected = np.convolve(x, taps[::-1])[N_TAPS - 1 - N_TAPS // 2 :][: len(x)]
    for k, hz in enumerate(POLES_HZ):
        pole = np.exp(-2 * np.pi * hz / SR)
        once = lfilter([1 - pole], [1, -pole], x)
        twice = lfilter([1 - pole], [1, -pole], once)
        expected += weights[2 * k] * once + weights[2 * k + 1] * twice
    predicted = TransferModel(taps, weights, np.zeros((0, 12))).apply(x)
    assert predicted == pytest.approx(expected, abs=1e-9)


def test_a_slow_pole_is_identified():
    pole = np.exp(-2 * np.pi * POLES_HZ[1] / SR)
    x = np.random.default_rng(4).normal(size=20_000)
    y = 0.5 * x - lfilter([1 - pole], [1, -pole], x)
    residual = y - fit_transfer(x.astype(np.float32), y).apply(x)
    assert 10 * np.log10(np.square(residual).sum() / np.square(y).sum()) < NO_RESIDUAL_DB
