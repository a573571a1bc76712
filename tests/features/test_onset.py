"""The stroke is found whatever its gain and offset, and the silence around it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features.onset import LEAD_S, find_stroke
from tests.signals import SR, decaying_noise

STROKE = decaying_noise(0.3, seed=1)
ONSET = find_stroke(STROKE, sr=SR).onset


@given(
    silence=st.integers(0, 20_000), gain_db=st.floats(-50, 20),
    polarity=st.sampled_from([-1.0, 1.0]), offset=st.floats(-0.05, 0.05),
)  # fmt: skip
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
def test_a_file_without_a_stroke_is_refused(samples):
    with pytest.raises(ParameterError, match="holds no stroke"):
        find_stroke(samples, sr=SR)
