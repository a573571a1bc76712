"""Rises are judged by what surrounds them; the takes are made, so every stroke is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from catalog.errors import StoreError
from catalog.features.segmentation.flux import spectral_flux
from catalog.features.segmentation.likelihood import stroke_model
from catalog.features.segmentation.likelihood.stroke_model import StrokeModel, load_stroke_model
from catalog.features.segmentation.likelihood.surroundings import describe_rises
from catalog.features.segmentation.rises import Rise, trace_rises
from catalog.features.segmentation.strokes import is_take, select_strokes
from tests.signals import SR, mix_take, strokes_at

AT_S = (0.4, 1.5, 2.1, 3.6)


def small_model() -> StrokeModel:
    """Return a model that adds its two inputs."""
    weights = (np.array([[1.0], [1.0]]), np.array([[1.0]]), np.array([[1.0]]))
    biases = (np.zeros(1), np.zeros(1), np.zeros(1))
    return StrokeModel(np.zeros(2), np.ones(2), weights, biases, np.zeros(0))


def test_the_probability_is_the_logistic_function_of_the_output():
    likely = small_model().first_probabilities(np.array([[1.0, 2.0], [0.0, 0.0], [-4.0, 1.0]]))
    assert likely == pytest.approx([1 / (1 + np.exp(-3.0)), 0.5, 0.5])  # units cut below 0


def test_only_uncertain_rises_are_decided_again():
    model = replace(small_model(), second=np.array([1.0, 0.5, 0.0, 0.0]))
    first = np.array([0.999, 0.5, 0.001])
    inputs = np.full((3, 491), 10.0)
    again = model.decide_again(inputs, np.arange(3.0), first)
    assert again == pytest.approx([0.999, 1 / (1 + np.exp(-1.0)), 0.001])  # the logit of 0.5 is 0


def test_a_model_for_other_inputs_is_refused(tmp_path, monkeypatch):
    small_model().save(tmp_path / "model.npz")
    monkeypatch.setattr(stroke_model, "MODEL_FILE", tmp_path / "model.npz")
    monkeypatch.setattr(stroke_model, "INPUTS_VERSION", stroke_model.INPUTS_VERSION + 1)
    load_stroke_model.cache_clear()
    with pytest.raises(StoreError, match="was fitted on inputs of another version"):
        load_stroke_model()
    load_stroke_model.cache_clear()


def test_what_describes_a_rise_does_not_change_with_the_gain():
    take = mix_take(strokes_at(AT_S), noise=2e-3)
    described = []
    for gain in (1.0, 0.5):
        spectra = spectral_flux(gain * take, sr=SR)
        found = trace_rises(gain * take, spectra, sr=SR)
        described.append(describe_rises(found.rises, spectra, block=found.block))
    assert described[0] == pytest.approx(described[1], abs=0.2)


def test_strokes_are_selected_with_their_likelihood_and_nothing_is_selected_of_nothing():
    take = mix_take(strokes_at(AT_S))
    spectra = spectral_flux(take, sr=SR)
    found = trace_rises(take, spectra, sr=SR)
    strokes = select_strokes(found.rises, spectra, block=found.block)
    assert [s.at * found.block / SR for s in strokes] == pytest.approx(AT_S, abs=0.01)
    assert all(0.5 <= s.likelihood <= 1.0 for s in strokes)
    assert select_strokes([], spectra, block=found.block) == []


@pytest.mark.parametrize(
    ("likelihood", "n", "expected"), [(0.99, 6, True), (0.6, 6, False), (0.99, 4, False)]
)
def test_many_likely_strokes_make_a_take_though_none_rises_far(likelihood, n, expected):
    rises = [Rise(500 * k, 1, 8.0, 0.0, 0.0, 0.0, 2.0, likelihood) for k in range(n)]
    assert is_take(rises) is expected
