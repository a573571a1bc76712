"""Fingerprints: correlation near 1 for a copy however edited, low for other strokes."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.embedding.spectrogram import SR
from catalog.matching.fingerprint import (
    FINGERPRINT_SAMPLES,
    correlate_fingerprints,
    make_fingerprints,
)
from catalog.matching.prepare import prepare_hit
from catalog.matching.verdict import MIN_SIMILARITY
from catalog.training.edits import apply_edits
from tests.matching.hits import as_audio, prepared, usable_edits
from tests.signals import drum_stroke

ONE_BYTE = 0.02  # change of a correlation by rounding to 8 bits
STROKE = drum_stroke(130, seed=5, sr=SR)
AUDIO = as_audio(STROKE, SR)


def correlation(a: np.ndarray, b: np.ndarray) -> float:
    both = make_fingerprints([prepared(a, SR), prepared(b, SR)])
    return float(correlate_fingerprints(both, np.array([0]), np.array([1]))[0])


@pytest.mark.parametrize("edit", usable_edits(AUDIO), ids=lambda edit: edit.name)
def test_an_edited_copy_is_never_ruled_out(edit):
    edited = apply_edits(AUDIO, (edit,), rng=np.random.default_rng(1))
    both = make_fingerprints([prepare_hit(AUDIO), prepare_hit(edited)])
    values = correlate_fingerprints(both, np.array([0, 1]), np.array([1, 0]))
    assert values.min() > MIN_SIMILARITY


def test_most_other_strokes_are_ruled_out():
    others = [drum_stroke(130, seed=seed, sr=SR) for seed in range(20, 40)]
    assert np.mean([correlation(STROKE, other) < MIN_SIMILARITY for other in others]) > 0.5


def test_a_trimmed_start_does_not_lower_the_correlation():
    # against numpy: energy share of the ring that is left once the click before it is trimmed
    rng = np.random.default_rng(3)
    ring = rng.normal(size=8_000) * np.exp(-np.arange(8_000) / 2_500)
    click = np.concatenate([8.0 * rng.normal(size=200), ring])
    share = float(np.square(ring[200:]).sum() / np.square(click).sum())
    assert share < 0.3
    assert correlation(click, click[200:]) > np.sqrt(share)


def test_the_correlation_equals_that_of_numpy():
    # against numpy.correlate, of the same half-whitened waves before rounding to 8 bits
    a, b = prepared(STROKE, SR), prepared(drum_stroke(130, seed=7, sr=SR), SR)
    waves = []
    for signal in (a, b):
        y = signal.samples[:FINGERPRINT_SAMPLES]
        spectrum = np.fft.rfft(y, 6_300)[:1_576]
        size = np.abs(spectrum)
        gain = size**1.5 / (size**2 + 10.0 * len(y) * signal.noise + 1e-12)
        waves.append(np.fft.irfft(spectrum * gain, 3_150))
    lags = np.abs(np.correlate(np.tile(waves[1], 3), waves[0], "valid"))
    lags = lags[3_150 + np.arange(-1_100, 1_100)]
    expected = lags.max() / np.sqrt(np.prod([np.square(w).sum() for w in waves]))
    both = make_fingerprints([a, b])
    result = float(correlate_fingerprints(both, np.array([0]), np.array([1]))[0])
    # at most a tenth more, because the overlap normalizes it
    assert expected - ONE_BYTE < result < 1.1 * expected + ONE_BYTE


def test_polarity_and_level_change_nothing():
    assert correlation(STROKE, -0.01 * STROKE) == pytest.approx(1.0, abs=ONE_BYTE)


def test_a_batch_gives_the_results_of_single_pairs():
    fingerprints = make_fingerprints(
        [prepared(drum_stroke(130, seed=seed, sr=SR), SR) for seed in range(30)]
    )
    first, second = (rows.ravel() for rows in np.meshgrid(np.arange(30), np.arange(30)))
    together = correlate_fingerprints(fingerprints, first, second)
    single = [
        correlate_fingerprints(fingerprints, np.array([a]), np.array([b]))[0]
        for a, b in zip(first, second, strict=True)
    ]
    assert together == pytest.approx(np.array(single), abs=1e-5)
    assert np.all(together[first == second] > 1.0 - ONE_BYTE)


def test_no_pairs_give_no_correlations():
    none = np.empty(0, int)
    assert correlate_fingerprints(make_fingerprints([prepared(STROKE)]), none, none).shape == (0,)
