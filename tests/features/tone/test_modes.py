"""The lowest mode of a drum: known answers from an ideal membrane, and what has no clear pitch."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt
from scipy.special import jn_zeros

from catalog.features.tone.modes import CLEAR_SHARE, lowest_mode
from tests.signals import SR, decaying_noise, decaying_sine

# N. H. Fletcher, T. D. Rossing, "The Physics of Musical Instruments", 2nd ed., 1998, 18.1: an ideal
# membrane has modes at the zeros of the Bessel functions J0, J1, J2, J0, J3.
ZEROS = np.array([jn_zeros(m, k)[k - 1] for m, k in ((0, 1), (1, 1), (2, 1), (0, 2), (3, 1))])
MODES = ZEROS / ZEROS[0]
CENTS = 15.0  # tolerance: a pitch bend of 6 % is not over when the measurement begins


def membrane(hz: float, *, second: float, bend: float = 0.0, sr: int = SR) -> np.ndarray:
    """A struck membrane, with the second mode at `second` times the amplitude of the first."""
    rng = np.random.default_rng(round(hz))
    time_s = np.arange(round(0.8 * sr)) / sr
    phase = 2 * np.pi * np.cumsum(hz * (1 + bend * np.exp(-time_s / 0.05))) / sr
    modes = (
        level * np.sin(mode * phase + rng.uniform(0, 2 * np.pi)) * np.exp(-time_s * mode / 0.2)
        for mode, level in zip(MODES, (1.0, second, 0.4, 0.3, 0.2), strict=True)
    )
    stick = 0.3 * rng.standard_normal(len(time_s)) * np.exp(-time_s / 0.01)
    return np.asarray(sum(modes) + stick, np.float32)


def cents(hz: float, expected: float) -> float:
    return float(abs(1200 * np.log2(hz / expected)))


def test_the_modes_of_the_membrane_are_those_of_the_handbook():
    assert MODES[1:4] == pytest.approx([1.593, 2.135, 2.295], abs=6e-4)


@pytest.mark.parametrize("hz", [62.0, 90.0, 131.0, 210.0])
@pytest.mark.parametrize("second", [0.3, 0.95, 1.0, 3.0])
@pytest.mark.parametrize("bend", [0.0, 0.06])
def test_the_fundamental_of_a_membrane_is_found_below_a_stronger_mode(hz, second, bend):
    mode = lowest_mode(membrane(hz, second=second, bend=bend), sr=SR)
    assert cents(mode.clear_hz, hz) < CENTS


@pytest.mark.parametrize("hz", [45.0, 55.0, 62.0, 110.0, 233.1, 400.0, 480.0])
@pytest.mark.parametrize("t60", [0.15, 0.3, 1.0, 3.0])
def test_a_tone_is_all_of_its_own_mode_however_fast_it_decays(hz, t60):
    mode = lowest_mode(decaying_sine(hz, t60), sr=SR)
    assert cents(mode.hz, hz) < 2.0
    assert mode.share == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("sr", [22_050, 44_100, 48_000, 88_200, 96_000, 192_000])
def test_level_polarity_and_rate_do_not_change_the_mode(sr):
    mode = lowest_mode(-0.01 * membrane(110.0, second=1.0, sr=sr), sr=sr)
    assert cents(mode.hz, 110.0) < CENTS
    assert mode.share == pytest.approx(
        lowest_mode(membrane(110.0, second=1.0), sr=SR).share, abs=0.05
    )


@pytest.mark.parametrize("limit_hz", [500.0, 1000.0, 4000.0, None])
def test_noise_has_no_clear_pitch_however_dark_it_is(limit_hz):
    for seed in range(20):
        noise = decaying_noise(0.3 + 0.06 * seed, seed=seed, length_s=1.0)
        if limit_hz:
            noise = sosfilt(butter(4, limit_hz, fs=SR, output="sos"), noise).astype(np.float32)
        assert math.isnan(lowest_mode(noise, sr=SR).clear_hz)


def test_a_faint_tone_within_bright_noise_is_a_mode_but_no_clear_pitch():
    tone = decaying_sine(200.0, 3.0, amplitude=0.02)
    cymbal = tone + decaying_noise(3.0, seed=1, length_s=1.0)
    mode = lowest_mode(cymbal, sr=SR)
    assert cents(mode.hz, 200.0) < CENTS
    assert 0.0 < mode.share < CLEAR_SHARE
    assert math.isnan(mode.clear_hz)


@pytest.mark.parametrize("n", [0, 1, 100, SR])
def test_silence_and_very_short_hits_have_no_mode(n):
    mode = lowest_mode(np.zeros(n, np.float32), sr=SR)
    assert math.isnan(mode.hz)
    assert math.isnan(mode.clear_hz)


def test_frequencies_outside_the_range_are_no_fundamental():
    for hz in (25.0, 700.0, 2_000.0):
        assert math.isnan(lowest_mode(decaying_sine(hz, 1.0), sr=SR).clear_hz)
