"""Where the stroke is, whatever gain, offset and silence surround it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features.onset import LEAD_S, find_stroke
from catalog.features.waveform import abs_peak, abs_peak_index, first_above, mix_to_mono
from tests.signals import SR, as_frames, decaying_noise

STROKE = decaying_noise(0.3, seed=1)
ONSET = find_stroke(STROKE, sr=SR).onset


@given(
    silence=st.integers(0, 20_000),
    gain_db=st.floats(-50, 20),
    polarity=st.sampled_from([-1.0, 1.0]),
    offset=st.floats(-0.05, 0.05),
)
@settings(max_examples=50, deadline=None)
def test_silence_gain_polarity_and_offset_move_the_onset_by_the_silence_only(
    silence, gain_db, polarity, offset
):
    gain = polarity * 10 ** (gain_db / 20)
    y = np.concatenate([np.zeros(silence), STROKE * gain, np.zeros(SR)]) + offset * abs(gain)
    stroke = find_stroke(y, sr=SR)
    assert stroke.onset == ONSET + silence
    assert stroke.start == max(0, stroke.onset - round(LEAD_S * SR))


def test_silence_at_the_end_is_left_out():
    y = np.concatenate([STROKE, np.zeros(5000)])
    assert find_stroke(y, sr=SR).stop <= len(STROKE)


@pytest.mark.parametrize(
    "samples",
    [np.zeros(0), np.ones(1), np.zeros(1000), np.full(1000, 0.3), np.full(1000, 1e-6)],
    ids=["empty", "one sample", "silence", "offset only", "below -100 dBFS"],
)
def test_what_holds_no_stroke_is_told(samples):
    with pytest.raises(ParameterError, match="holds no stroke"):
        find_stroke(samples, sr=SR)


def test_channels_that_cancel_fall_back_on_the_strongest():
    both = np.stack([STROKE, -0.9 * STROKE], axis=1)
    assert np.array_equal(mix_to_mono(both), STROKE)


def test_equal_channels_mix_to_themselves():
    assert mix_to_mono(as_frames(STROKE, 2)) == pytest.approx(STROKE, abs=1e-7)


@given(
    n=st.integers(0, 9000),
    loud=st.lists(st.integers(0, 8999), max_size=4),
    limit=st.sampled_from([0.0, 0.3, 1.0]),
)
def test_the_first_sample_beyond_a_limit_is_found_however_late(n, loud, limit):
    y = np.zeros(n)
    y[[at for at in loud if at < n]] = -0.5
    beyond = np.flatnonzero(np.abs(y) > limit)
    assert first_above(y, limit) == (beyond[0] if len(beyond) else n)


@given(st.lists(st.integers(-4, 4), min_size=1, max_size=40))
def test_the_loudest_sample_is_the_first_of_the_largest_size(values):
    samples = np.array(values, np.float32) / 4
    assert abs_peak_index(samples) == int(np.argmax(np.abs(samples)))  # numpy's own, one pass more
    assert abs_peak(samples) == abs(samples[abs_peak_index(samples)])
