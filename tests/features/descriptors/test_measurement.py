"""Each descriptor has its known value on synthetic sounds, and gain does not change it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.audio.model import Audio
from catalog.features.descriptors import measurement
from catalog.features.descriptors.table import DESCRIPTORS, LEVEL_UNITS
from catalog.features.loudness import true_peak
from catalog.features.measure import measure_audio
from catalog.features.tone.modes import BRIGHTEST_HZ, CLEAR_SHARE
from tests.signals import SR, as_frames, decaying_noise, decaying_sine, drum_stroke

LEVELS = {"peak_db", "loudness_lkfs", "floor_db", "quietest_db"}


def measured(samples: np.ndarray, sr: int = SR) -> dict[str, float]:
    return measure_audio(Audio(samples, sr, "WAV", "FLOAT")).descriptors


def test_every_descriptor_is_measured():
    assert set(measured(as_frames(drum_stroke()))) == {x.name for x in DESCRIPTORS}


def test_the_body_is_the_lowest_mode_where_that_is_clear():
    tone, noise = (
        measured(as_frames(y)) for y in (decaying_sine(90, 1.0), decaying_noise(1, seed=2))
    )
    assert tone["body_hz"] == tone["mode_hz"] == pytest.approx(90.0, rel=0.002)
    assert math.isnan(noise["body_hz"])


def test_a_bright_stroke_with_a_low_mode_has_a_body_only_without_its_brightness():
    tone = decaying_sine(230.0, 1.0, amplitude=0.03)
    noise = decaying_noise(0.15, seed=2, length_s=len(tone) / SR)
    dark, bright = (measured(as_frames(y)) for y in (tone, tone + noise))
    assert bright["mode_share"] > CLEAR_SHARE
    assert bright["centroid_hz"] > BRIGHTEST_HZ
    assert bright["mode_hz"] == pytest.approx(dark["body_hz"], rel=0.002)
    assert math.isnan(bright["body_hz"])


def test_the_crest_of_a_sine_is_3_db_and_of_a_triangle_4_8_db():
    t = (np.arange(round(0.4 * SR)) + 0.5) / SR
    sine = 0.5 * np.sin(2 * np.pi * 100 * t)
    for y, crest in ((sine, 3.01), (np.arcsin(2 * sine) / np.pi, 4.77)):
        found = measured(as_frames(y.astype(np.float32)))["crest_db"]
        assert found == pytest.approx(crest, abs=0.05)  # the stroke's lead of 1 ms may cut a period


def test_the_crest_of_a_square_includes_the_overshoot_that_its_samples_stand_for():
    t = (np.arange(round(0.4 * SR)) + 0.5) / SR
    y = np.sign(np.sin(2 * np.pi * 100 * t)).astype(np.float32)
    assert measured(as_frames(y))["crest_db"] == pytest.approx(true_peak(y[:, None]), abs=0.2)


def test_width_is_0_for_mono_half_for_unrelated_and_1_for_opposite_channels():
    a, b = decaying_noise(9.0, seed=1), decaying_noise(9.0, seed=2)
    assert measurement.stereo_width(np.stack([a, a], 1)) == 0.0
    assert measurement.stereo_width(np.stack([a, b], 1)) == pytest.approx(0.5, abs=0.02)
    assert measurement.stereo_width(np.stack([a, -a], 1)) == 1.0


def test_the_noise_floor_is_the_level_of_the_noise_and_silence_has_none():
    noise = 10 ** (-50 / 20) * np.random.default_rng(0).normal(size=2 * len(drum_stroke()))
    noise[: len(drum_stroke())] += drum_stroke()
    assert measured(as_frames(noise.astype(np.float32)))["floor_db"] == pytest.approx(
        -50.0, abs=0.5
    )
    assert math.isnan(measured(as_frames(drum_stroke()))["floor_db"])


def test_the_crest_of_a_burst_is_the_same_with_and_without_silence_after_it():
    y = decaying_noise(0.5, seed=1, length_s=0.02)
    tight, padded = (measured(as_frames(x)) for x in (y, np.concatenate([y, np.zeros(SR)])))
    assert tight["crest_db"] == pytest.approx(padded["crest_db"], abs=0.01)


@given(
    gain_db=st.floats(-40, 6), polarity=st.sampled_from([-1, 1]),
    silence=st.integers(0, 10_000), seed=st.integers(0, 50),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_gain_polarity_and_leading_silence_change_levels_only(gain_db, polarity, silence, seed):
    y = drum_stroke(120, seed=seed)
    changed = np.concatenate([np.zeros(silence), polarity * y * 10 ** (gain_db / 20)])
    before = measured(as_frames(y))
    after = measured(as_frames(changed.astype(np.float32)))
    for name in set(before) - LEVELS:
        assert after[name] == pytest.approx(before[name], rel=1e-3, abs=1e-6, nan_ok=True), name
    for name in LEVELS - {"floor_db"}:
        # The windows of the quietest 20 ms begin with the file, so silence moves them.
        tolerance = 1.5 if name == "quietest_db" else 0.05
        assert after[name] == pytest.approx(before[name] + gain_db, abs=tolerance), name


def test_a_harder_stroke_is_brighter():
    soft, hard = (measured(as_frames(drum_stroke(seed=4, strength=s))) for s in (0.2, 1.0))
    assert hard["centroid_hz"] > 1.2 * soft["centroid_hz"]


def test_a_very_short_hit_is_measured_without_warnings():
    y = np.zeros(300, np.float32)
    y[100:110] = 0.5
    numbers = measured(as_frames(y))
    assert numbers["peak_db"] == pytest.approx(-6.02, abs=0.2)
    assert math.isnan(numbers["body_hz"])


def test_clipping_leaves_a_flat_top_and_a_normalized_hit_does_not():
    y = drum_stroke(90, seed=2)
    assert measurement.clip_run(as_frames(y / np.abs(y).max())) < 4
    assert measurement.clip_run(as_frames(np.clip(3 * y, -1, 1), 2)) >= 4
    low = 3 * decaying_sine(90, 0.5)
    assert measurement.clip_run(as_frames(np.clip(low, -1, 1), 2)) > 100


def test_inaudible_frequencies_do_not_count_as_brightness():
    rng = np.random.default_rng(0)
    low, high = decaying_sine(1000, 0.5, sr=192_000), 0.2 * rng.normal(size=192_000)
    spectrum = np.fft.rfft(high)
    spectrum[:21_000] = 0
    loud = low + np.fft.irfft(spectrum, 192_000) * np.exp(-np.arange(192_000) / 20_000)
    assert measured(as_frames(loud.astype(np.float32)), 192_000)["centroid_hz"] < 1500


def test_numbers_that_reach_0_are_compared_by_difference():
    for sound in (drum_stroke(180), decaying_noise(0.05, seed=1)):
        measured = measure_audio(Audio(as_frames(sound), SR, "WAV", "PCM_24")).descriptors
        for d in DESCRIPTORS:
            if measured.get(d.name, 1.0) <= 0.0:
                assert d.is_linear or d.unit in LEVEL_UNITS, d.name
