"""Loudness and true peak against Recommendation ITU-R BS.1770-4 and an independent meter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from catalog.errors import ParameterError
from catalog.features.loudness import hit_loudness, k_filter_stages, k_weight, true_peak
from tests.signals import as_frames, decaying_noise

METER_LU = 0.05  # two correct meters may differ by this; EBU Tech 3341 allows 0.1 LU
NOISE_LU = 0.3  # ours takes the loudest 400 ms of a noise that varies by some tenths of a dB


def k_filter(sr):
    """Both stages as one fourth-order filter, for `lfilter`."""
    (b1, a1), (b2, a2) = k_filter_stages(sr)
    return np.convolve(b1, b2), np.convolve(a1, a2)


@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000, 192_000])
def test_997_hz_at_full_scale_in_one_channel_is_minus_3_01_lkfs(sr):
    """BS.1770-4, Annex 1, after equation 2."""
    tone = np.sin(2 * np.pi * 997 * np.arange(2 * sr) / sr)
    assert hit_loudness(tone[:, None], sr=sr) == pytest.approx(-3.01, abs=0.02)


def test_the_filter_has_the_coefficients_of_the_standard_at_48_khz():
    """BS.1770-4, Annex 1, tables 1 and 2, multiplied out."""
    shelf_b = [1.53512485958697, -2.69169618940638, 1.19839281085285]
    shelf_a = [1.0, -1.69065929318241, 0.73248077421585]
    pass_b, pass_a = [1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621]
    b, a = k_filter(48_000)
    assert b == pytest.approx(np.convolve(shelf_b, pass_b), abs=1e-8)
    assert a == pytest.approx(np.convolve(shelf_a, pass_a), abs=1e-8)


@pytest.mark.parametrize(
    ("y", "tolerance_lu"),
    [
        (0.1 * np.random.default_rng(0).normal(size=96_000), NOISE_LU),
        (0.3 * np.sin(2 * np.pi * 180 * np.arange(96_000) / 48_000), METER_LU),
    ],
    ids=["noise", "tone"],
)
def test_a_steady_sound_agrees_with_an_independent_meter(y, tolerance_lu):
    """pyloudnorm with the filter class that it names after De Man; its default is 0.04 LU off."""
    meter = pytest.importorskip("pyloudnorm").Meter(48_000, filter_class="DeMan")
    theirs = meter.integrated_loudness(as_frames(y, 2))
    assert hit_loudness(as_frames(y, 2), sr=48_000) == pytest.approx(theirs, abs=tolerance_lu)


def test_half_the_length_in_a_short_hit_is_3_db_less():
    steady = np.sin(2 * np.pi * 997 * np.arange(48_000) / 48_000)[:, None]
    whole, half = (hit_loudness(steady[: round(s * 48_000)], sr=48_000) for s in (0.4, 0.2))
    assert whole - half == pytest.approx(3.01, abs=0.05)


def test_the_loudness_and_peak_of_silence_are_minus_infinity():
    assert hit_loudness(np.zeros((100, 1)), sr=48_000) == -np.inf
    assert true_peak(np.zeros((100, 1))) == -np.inf


@pytest.mark.parametrize("phase_deg", [0, 45])
def test_the_peak_between_samples_is_found(phase_deg):
    """A quarter-rate sine at 45 degrees reads 3 dB low on sample peaks (EBU Tech 3341)."""
    t = np.arange(4800)
    tone = 0.5 * np.sin(np.pi / 2 * t + np.radians(phase_deg))
    assert true_peak(tone[:, None]) == pytest.approx(-6.02, abs=0.4)  # Tech 3341: +0.2/-0.4


def test_a_sample_rate_of_0_is_refused():
    with pytest.raises(ParameterError, match="above 0"):
        hit_loudness(as_frames(decaying_noise(0.1, seed=0)), sr=0)


@pytest.mark.parametrize("sr", [8_000, 44_100, 192_000])
@pytest.mark.parametrize("n", [1, 63, 64, 5000])
def test_filtering_by_blocks_agrees_with_filtering_by_samples(sr, n):
    """scipy.signal.lfilter is the reference."""
    samples = np.random.default_rng(n).normal(size=(n, 2))
    theirs = lfilter(*k_filter(sr), samples, axis=0)
    assert k_weight(samples, sr=sr) == pytest.approx(theirs, abs=1e-4)


@pytest.mark.parametrize("swell_s", [0.0, 0.3, 0.9])
def test_the_loudest_window_is_found_anywhere(swell_s):
    """The reference filters everything and adds up every window."""
    sr = 44_100
    noise = np.random.default_rng(1).normal(size=2 * sr) * np.exp(-np.arange(2 * sr) / sr)
    noise[: round(swell_s * sr)] *= 0.01
    power = np.square(lfilter(*k_filter(sr), noise))
    along = np.concatenate([[0], np.cumsum(power)])
    n = round(0.4 * sr)
    plain = -0.691 + 10 * np.log10((along[n:] - along[:-n]).max() / n)
    assert hit_loudness(noise[:, None], sr=sr) == pytest.approx(plain, abs=0.01)
