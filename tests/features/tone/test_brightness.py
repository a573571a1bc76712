"""Brightness, upper edge and noise share: known answers that no sample rate changes."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.resample import resample
from catalog.features.tone import brightness as b
from tests.signals import SR, decaying_noise, decaying_sine, drum_stroke

STABLE = 0.05  # share by which a rate may change a value


def numbers(samples: np.ndarray, sr: int = SR) -> dict[str, float]:
    frequencies, power = b.mean_spectrum(np.asarray(samples, np.float32), sr=sr)
    return {
        "centroid": b.spectral_centroid(frequencies, power),
        "rolloff": b.spectral_rolloff(frequencies, power),
        "noise": b.noise_share(frequencies, power),
        "period": b.mean_period(frequencies, power),
    }


@pytest.mark.parametrize("length_s", [0.02, 0.1, 1.0])
@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000])
def test_white_noise_is_all_noise_however_short(length_s, sr):
    found = [
        numbers(np.random.default_rng(seed).normal(size=round(length_s * sr)), sr)
        for seed in range(10)
    ]
    assert np.mean([n["noise"] for n in found]) == pytest.approx(1.0, abs=STABLE)
    assert np.mean([n["centroid"] for n in found]) == pytest.approx(b.TOP_HZ / 2, rel=0.03)


@pytest.mark.parametrize("hz", [60.0, 440.0, 3000.0])
def test_a_tone_is_no_noise_and_as_bright_as_it_is_high(hz):
    found = numbers(decaying_sine(hz, 1.0))
    assert found["noise"] < 0.001
    assert found["centroid"] == pytest.approx(hz, rel=0.02)
    assert found["rolloff"] == pytest.approx(hz, abs=15.0)
    assert found["period"] == pytest.approx(1.0 / hz, rel=0.1)


@pytest.mark.parametrize("sr", [44_100, 88_200, 96_000, 192_000])
def test_the_rate_of_a_file_changes_nothing(sr):
    for seed in range(4):
        for y in (drum_stroke(120, seed=seed), decaying_noise(0.1 + 0.2 * seed, seed=seed)):
            other = resample(y, sr=SR, to_sr=sr).reshape(-1)
            before, after = numbers(y), numbers(other, sr)
            for name, value in before.items():
                assert after[name] == pytest.approx(value, rel=STABLE), name


def test_padding_changes_nothing():
    y = drum_stroke(120, seed=2)
    padded = np.concatenate([y, np.zeros(2 * SR)])
    for name, value in numbers(y).items():
        assert numbers(padded)[name] == pytest.approx(value, rel=1e-3), name


def test_frequencies_that_44_1_khz_cannot_hold_do_not_count():
    low, high = decaying_sine(1000, 0.5, sr=192_000), np.random.default_rng(0).normal(size=192_000)
    spectrum = np.fft.rfft(0.2 * high)
    spectrum[:16_500] = 0
    loud = low + np.fft.irfft(spectrum, 192_000) * np.exp(-np.arange(192_000) / 20_000)
    assert numbers(loud, 192_000)["centroid"] == pytest.approx(1000.0, rel=0.05)


def test_silence_has_no_brightness():
    assert np.isnan(numbers(np.zeros(1000))["centroid"])
    assert numbers(np.zeros(1000))["period"] == 0.0
