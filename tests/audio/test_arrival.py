"""Delay and polarity of microphones, on strokes whose values are known."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.arrival import measure_arrivals
from tests.signals import drum_stroke

SR = 44_100


def at_two_microphones(seed: int, *, late: int, sign: int) -> np.ndarray:
    stroke = drum_stroke(180, seed=seed, sr=SR)
    samples = np.zeros((len(stroke) + 500, 2), np.float32)
    samples[100 : 100 + len(stroke), 0] = stroke
    samples[100 + late : 100 + late + len(stroke), 1] = 0.5 * sign * stroke
    return samples


@pytest.mark.parametrize(("late", "sign"), [(0, 1), (37, 1), (210, -1)])
def test_the_delay_and_polarity_of_a_microphone_are_found(late, sign):
    strokes = [at_two_microphones(seed, late=late, sign=sign) for seed in range(3)]
    first, second = measure_arrivals(strokes, sr=SR)
    assert (first.delay_samples, first.polarity) == (0.0, 1)
    assert second.delay_samples == pytest.approx(late, abs=1.0)
    assert second.polarity == sign


@pytest.mark.parametrize("n", [1, 2, 5])
def test_strokes_of_a_few_samples_are_measured(n):
    strokes = [np.random.default_rng(1).normal(size=(n, 3)).astype(np.float32)]
    assert len(measure_arrivals(strokes, sr=SR)) == 3
