"""Lags of shifted signals, whose answer is the shift."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from catalog.features.embedding.spectrogram import SR
from catalog.matching.align import find_lags
from catalog.matching.prepare import LAG_FFT
from tests.matching.hits import coherence, prepared
from tests.signals import drum_stroke


@pytest.mark.parametrize("shift", [-500, -37, 0, 1, 640])
def test_the_lag_is_found_to_a_tenth_of_a_sample(shift):
    first = prepared(np.pad(drum_stroke(200, seed=1), (700, 0)), SR)
    second = replace(first, samples=-np.roll(first.samples, shift))
    assert find_lags([(first, second)])[0].samples[0] == pytest.approx(shift, abs=0.1)


def test_the_lag_of_two_short_hits_is_found_with_the_shorter_fft():
    y = drum_stroke(200, seed=1)[:2500]
    first, second = prepared(y, SR), prepared(-np.pad(y, (300, 0))[:2400], SR)
    assert max(first.lag_fft, second.lag_fft) < LAG_FFT
    result = coherence(first, second)
    assert result.peak > 0.9
    assert max(result.score_db, result.wideband_db) > 15.0
