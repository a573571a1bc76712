"""Attacks of known rises, at every phase, rate and padding."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.shape import attack as a
from tests.signals import SR, decaying_noise

STABLE = 0.05  # share by which rates and phases may change an attack


def rising_tone(hz: float, *, rise_s: float, phase: float = 0.0, sr: int = SR) -> np.ndarray:
    """A tone whose amplitude rises linearly and decays slowly."""
    t = np.arange(round(0.5 * sr)) / sr
    level = np.minimum(1.0, t / rise_s) * np.exp(-t / 0.4)
    return np.asarray(0.5 * level * np.sin(2 * np.pi * hz * t + phase), np.float32)


@pytest.mark.parametrize("n", [1, 7, 88, 500])
def test_the_energy_agrees_with_a_plain_average_over_a_triangle(n):
    samples = np.random.default_rng(n).normal(size=700)
    triangle = np.convolve(np.ones(n), np.ones(n)) / n**2
    plain = np.convolve(np.square(samples), triangle)
    assert a.smooth_energy(samples, n)[: len(plain)] == pytest.approx(plain, abs=1e-9)


def test_what_follows_the_loudest_window_does_not_matter():
    for seed in range(20):
        y = decaying_noise(0.2, seed=seed)
        y[: 200 * seed] *= np.linspace(0, 1, 200 * seed)
        n = 1 + 37 * seed
        part, whole = (a.smooth_energy(x, n) for x in (a._until_loudest(y, n), y))
        assert part.argmax() == whole.argmax()
        assert part.max() == pytest.approx(whole.max(), rel=1e-9)


def test_the_energy_of_a_linear_rise_takes_0_632_of_its_length_from_10_to_90_percent():
    rise = np.linspace(0, 1, round(0.1 * SR))
    carrier = np.sign(np.sin(2 * np.pi * 2000 * np.arange(len(rise) * 2) / SR))
    y = np.concatenate([rise, np.ones(len(rise))]) * carrier
    share = np.sqrt(0.9) - np.sqrt(0.1)
    assert a.attack_time(y, sr=SR) == pytest.approx(0.1 * share, abs=a.SHORTEST_S)


@pytest.mark.parametrize("hz", [40.0, 60.0, 100.0, 200.0, 1000.0])
@pytest.mark.parametrize("periods", [0.05, 0.2, 1.0, 3.0])
def test_the_phase_of_a_tone_hardly_changes_its_attack(hz, periods):
    times = [
        a.attack_time(rising_tone(hz, rise_s=periods / hz, phase=phase), sr=SR, period_s=1.0 / hz)
        for phase in np.linspace(0.0, np.pi, 8, endpoint=False)
    ]
    middle = 0.5 * (max(times) + min(times))
    assert max(times) <= middle * (1.0 + STABLE)


@pytest.mark.parametrize("hz", [60.0, 300.0, 3000.0])
@pytest.mark.parametrize("rise_s", [0.001, 0.01])
def test_the_rate_does_not_change_an_attack(hz, rise_s):
    times = [
        a.attack_time(rising_tone(hz, rise_s=rise_s, sr=sr), sr=sr, period_s=1.0 / hz)
        for sr in (44_100, 48_000, 88_200, 96_000)
    ]
    assert max(times) / min(times) < 1.0 + STABLE


def test_a_slower_rise_of_a_low_tone_is_a_longer_attack():
    times = [
        a.attack_time(rising_tone(50.0, rise_s=s), sr=SR, period_s=0.02) for s in (0.01, 0.04, 0.1)
    ]
    assert times == sorted(times)
    assert times[2] == pytest.approx(0.1 * (np.sqrt(0.9) - np.sqrt(0.1)), rel=0.2)


@pytest.mark.parametrize("n", [1, 2, 50])
def test_silence_and_single_samples_have_no_attack(n):
    assert a.attack_time(np.zeros(n, np.float32), sr=SR) == 0.0
