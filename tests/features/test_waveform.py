"""Peaks, thresholds and the mono mix agree with plain numpy expressions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features.waveform import (
    abs_peak,
    abs_peak_index,
    first_above,
    median,
    mix_to_mono,
    waveform_outline,
)
from tests.signals import as_frames, decaying_noise

STROKE = decaying_noise(0.3, seed=1)


def test_channels_that_cancel_are_replaced_by_the_strongest():
    both = np.stack([STROKE, -0.9 * STROKE], axis=1)
    assert np.array_equal(mix_to_mono(both), STROKE)


def test_equal_channels_mix_to_themselves():
    assert mix_to_mono(as_frames(STROKE, 2)) == pytest.approx(STROKE, abs=1e-7)


@given(
    n=st.integers(0, 9000), loud=st.lists(st.integers(0, 8999), max_size=4),
    threshold=st.sampled_from([0.0, 0.3, 1.0]),
)  # fmt: skip
def test_the_first_sample_above_a_threshold_is_found_however_late(n, loud, threshold):
    y = np.zeros(n)
    y[[at for at in loud if at < n]] = -0.5
    above = np.flatnonzero(np.abs(y) > threshold)
    assert first_above(y, threshold) == (above[0] if len(above) else n)


@given(st.lists(st.integers(-4, 4), min_size=1, max_size=40))
def test_peak_and_median_are_those_of_numpy(values):
    samples = np.array(values, np.float32) / 4
    assert abs_peak_index(samples) == int(np.argmax(np.abs(samples)))
    assert abs_peak(samples) == abs(samples[abs_peak_index(samples)])
    assert median(samples) == np.median(samples)


def test_the_outline_holds_the_lowest_and_highest_sample_of_each_stretch():
    samples = np.array([[0.0, 0.5], [-0.25, 0.0], [1.0, 0.0], [0.0, -1.0]], np.float32)
    assert waveform_outline(samples, n_points=2).tolist() == [[-0.25, 0.5], [-1.0, 1.0]]
    assert len(waveform_outline(samples, n_points=100)) == 4
    with pytest.raises(ParameterError, match="n_points=0 must be at least 1"):
        waveform_outline(samples, n_points=0)
