"""The crest is that of the wave, wherever its samples lie."""

from __future__ import annotations

import math

import numpy as np
import pytest

from catalog.audio.resample import resample
from catalog.features.loudness import true_peak
from catalog.features.shape.crest import crest_factor, interpolated_peak
from tests.signals import SR, decaying_noise

SAMPLED_DB = 0.1  # eight points a sample against the four of the reference, below 0.4 of the rate


@pytest.mark.parametrize("offset", [0.0, 0.25, 0.5, 0.6])
def test_a_pulse_between_two_samples_has_its_full_height(offset):
    t = np.arange(-300, 300) - offset
    pulse = np.sinc(0.8 * t) * np.hanning(600)  # flat up to 0.4 of the rate
    assert interpolated_peak(pulse.astype(np.float32)) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("seed", range(8))
def test_the_peak_agrees_with_oversampling_of_the_whole_wave(seed):
    y = resample(decaying_noise(0.1, seed=seed)[:, None], sr=32_000, to_sr=SR)[:, 0]
    peak_db = 20 * math.log10(interpolated_peak(y))
    assert peak_db == pytest.approx(true_peak(y[:, None]), abs=SAMPLED_DB)


@pytest.mark.parametrize("to_sr", [48_000, 88_200, 96_000])
def test_the_rate_does_not_change_the_crest(to_sr):
    for seed in range(8):
        y = resample(decaying_noise(0.05, seed=seed)[:, None], sr=32_000, to_sr=SR)
        changed = resample(y, sr=SR, to_sr=to_sr)[:, 0]
        ratio = crest_factor(changed, sr=to_sr) / crest_factor(y[:, 0], sr=SR)
        assert ratio == pytest.approx(1.0, abs=0.01)


def test_silence_has_no_crest_and_one_sample_has_one():
    assert math.isnan(crest_factor(np.zeros(100, np.float32), sr=SR))
    assert interpolated_peak(np.zeros(0, np.float32)) == 0.0
    assert interpolated_peak(np.array([-0.5], np.float32)) == 0.5
