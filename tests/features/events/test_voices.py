"""Pitch and formants are those that were made, and the model is a logistic regression of them."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.events.voices import VoiceModel, load_voice_model
from catalog.features.events.voicing import Voicing, measure_voicing
from tests.signals import SR, decaying_noise

LENGTH_S = 1.5
SEMITONES = 5.0  # of the glide; the octave below it is no pitch of a voice


def harmonics(pitch_hz: np.ndarray, formants_hz: np.ndarray) -> np.ndarray:
    """Return harmonics of a pitch, each as loud as its distance from one formant allows."""
    phase = 2 * np.pi * np.cumsum(pitch_hz) / SR
    out = np.zeros(len(pitch_hz))
    for k in range(1, 25):
        octaves = np.log2(k * pitch_hz / formants_hz)
        out += np.exp(-2 * np.square(octaves)) * np.sin(k * phase)
    return (0.1 * out).astype(np.float32)


def glide(semitones: float, octaves: float) -> np.ndarray:
    """Return a pitch that rises from 110 Hz, under a formant that sweeps up from 400 Hz."""
    t = np.linspace(0, 1, round(LENGTH_S * SR))
    return harmonics(110 * 2 ** (semitones * t / 12), 400 * 2 ** (octaves * t))


def test_the_spread_of_a_pitch_that_glides_evenly_is_its_range_over_the_root_of_twelve():
    found = measure_voicing(glide(SEMITONES, 0.0), sr=SR)
    assert found.voiced > 0.9
    assert found.in_contours > 0.9
    assert found.longest_s == pytest.approx(LENGTH_S, abs=0.1)
    assert found.pitch_spread == pytest.approx(SEMITONES / np.sqrt(12), rel=0.1)


def test_formants_spread_and_move_only_where_they_move():
    still, moving = (measure_voicing(glide(0.0, octaves), sr=SR) for octaves in (0.0, 1.5))
    assert still.formant_spread_db < 1.0 < 3.0 < moving.formant_spread_db
    assert still.formant_motion_db < moving.formant_motion_db
    assert still.pitch_spread == pytest.approx(0.0, abs=0.05)


def test_noise_is_hardly_voiced_and_nothing_else_is_measured():
    found = measure_voicing(decaying_noise(9.0, seed=1, length_s=LENGTH_S), sr=SR)
    assert found.voiced < 0.3
    assert found == Voicing(voiced=found.voiced)


@pytest.mark.parametrize("n", [1, 100, 2000])
def test_very_short_sounds_have_finite_numbers(n):
    assert np.isfinite(measure_voicing(decaying_noise(0.1, seed=2)[:n], sr=SR)).all()


def test_a_model_that_is_saved_is_a_logistic_regression_of_numbers_and_squares(
    tmp_path, monkeypatch
):
    model = VoiceModel(
        np.array([1.0, 2.0]), np.array([2.0, 4.0]), np.array([0.5, -1.0, 0.25, 0.0]), np.array(0.1)
    )
    z = (3.0 - 1.0) / 2.0, (0.0 - 2.0) / 4.0
    logit = 0.5 * z[0] - 1.0 * z[1] + 0.25 * z[0] ** 2 + 0.1
    model.save(tmp_path / "model.npz")
    monkeypatch.setattr("catalog.features.events.voices.MODEL_FILE", tmp_path / "model.npz")
    load_voice_model.cache_clear()
    try:
        likelihood = load_voice_model().likelihood(np.array([3.0, 0.0]))
    finally:
        load_voice_model.cache_clear()
    assert likelihood == pytest.approx(1 / (1 + np.exp(-logit)), rel=1e-6)
