from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.resample import resample
from catalog.errors import ParameterError
from tests.signals import SR, decaying_sine


def test_a_tone_keeps_its_pitch_and_level_through_resampling():
    y = decaying_sine(1000, 10.0, amplitude=0.5)
    lower = resample(y, sr=SR, to_sr=44_100)
    back = resample(lower, sr=44_100, to_sr=SR)
    inner = slice(2000, -2000)
    assert len(lower) == pytest.approx(len(y) * 44_100 / SR, abs=1)
    error = np.abs(back[: len(y)][inner] - y[: len(back)][inner]).max()
    assert error < 1e-4  # -80 dB: VHQ is better


def test_a_sample_rate_of_0_is_refused():
    with pytest.raises(ParameterError, match="above 0"):
        resample(np.zeros(4, np.float32), sr=0, to_sr=SR)
