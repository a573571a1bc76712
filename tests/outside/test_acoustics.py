"""Decay and pitch against handbook values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import jn_zeros

from catalog.features.envelope import energy_decay, reverberation_time
from catalog.features.tone.modes import lowest_mode
from tests.signals import SR, decaying_noise, decaying_sine

T60_TOLERANCE = 0.01  # for a synthetic decay
NOISE_TOLERANCE = 0.05  # ISO 3382-1 gives about 3-5 % for one decay of noise in this band and time


@pytest.mark.parametrize("t60", [0.2, 0.5, 1.2, 3.0])
def test_a_synthetic_decay_has_its_t60(t60):
    """Method of ISO 3382-1:2009: backward integration, T20 times 3."""
    y = decaying_sine(1000, t60, length_s=1.5 * t60)
    assert reverberation_time(energy_decay(y), sr=SR) == pytest.approx(t60, rel=T60_TOLERANCE)


def test_a_decay_of_noise_has_its_t60():
    decays = [energy_decay(decaying_noise(0.8, seed=s, length_s=1.2)) for s in range(8)]
    times = [reverberation_time(decay, sr=SR) for decay in decays]
    assert np.mean(times) == pytest.approx(0.8, rel=NOISE_TOLERANCE)


def test_the_modes_of_an_ideal_membrane_are_recovered_from_a_hit():
    """Zeros of J_m over the first: 1.5933, 2.1355, 2.2954 (T. D. Rossing, N. H. Fletcher, "The
    Physics of Musical Instruments", 2nd ed., 18.1; zeros by scipy)."""
    first = jn_zeros(0, 1)[0]
    ratios = [jn_zeros(1, 1)[0] / first, jn_zeros(2, 1)[0] / first, jn_zeros(0, 2)[1] / first]
    assert ratios == pytest.approx([1.5933, 2.1355, 2.2954], abs=1e-4)
    lowest, *others = (decaying_sine(100 * r, 2.0, length_s=2.0) for r in (1, *ratios))
    y = lowest + 0.5 * sum(others)
    assert lowest_mode(y, sr=SR).clear_hz == pytest.approx(100.0, rel=0.003)
    power = np.abs(np.fft.rfft(y * np.hanning(len(y)), 8 * len(y)))
    hz = np.fft.rfftfreq(8 * len(y), 1 / SR)
    for ratio in ratios:
        near = np.abs(hz - 100 * ratio) < 5
        assert hz[near][power[near].argmax()] / 100 == pytest.approx(ratio, abs=0.003)
