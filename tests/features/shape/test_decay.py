"""Length, decay and noise of signals with known answers, under noise, fades, padding and cuts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from catalog.features.onset import find_stroke
from catalog.features.shape.decay import Decay, measure_decay
from catalog.features.shape.level import measure_level
from tests.signals import SR, decaying_noise, decaying_sine

STABLE = 0.10  # share by which noise, fades and padding may change a length
NOISE_TOLERANCE_DB = 1.0


def measure(samples: np.ndarray, sr: int = SR) -> tuple[Decay, float]:
    """Return length and decays, and the noise in dBFS; NaN if none is seen."""
    y = np.asarray(samples, np.float32)
    stroke = find_stroke(y, sr=sr)
    body = y[stroke.start : stroke.stop]
    curve = measure_level(body, y[: stroke.onset], sr=sr)
    noise_db = 10.0 * math.log10(curve.noise) if curve.noise > 0.0 else math.nan
    return measure_decay(body, curve), noise_db


def stroke_of(kind: str, t60_s: float, sr: int = SR) -> np.ndarray:
    length_s = 1.5 * t60_s
    if kind == "tone":
        return decaying_sine(200, t60_s, length_s=length_s, sr=sr)
    return decaying_noise(t60_s, seed=3, length_s=length_s, sr=sr)


def with_noise(samples: np.ndarray, level_db: float, *, seed: int = 0) -> np.ndarray:
    """Add noise at a level below the peak."""
    peak = float(np.abs(samples).max())
    noise = np.random.default_rng(seed).normal(size=len(samples))
    return samples + peak * 10 ** (level_db / 20) * noise


@pytest.mark.parametrize("kind", ["tone", "noise"])
@pytest.mark.parametrize("t60_s", [0.1, 0.4, 1.0, 3.0])
def test_an_exponential_has_its_length_and_decays(kind, t60_s):
    decay, noise_db = measure(stroke_of(kind, t60_s))
    assert decay.length_s == pytest.approx(t60_s, rel=0.03)
    assert decay.decay20_s == pytest.approx(t60_s / 3, rel=0.03)
    assert decay.decay60_s == pytest.approx(t60_s, rel=0.03)
    assert decay.seen_db == -60.0
    assert math.isnan(noise_db)


@pytest.mark.parametrize("kind", ["tone", "noise"])
@pytest.mark.parametrize("t60_s", [0.1, 0.4, 1.0, 3.0])
@pytest.mark.parametrize("change", ["noise", "noise and tail", "silence", "fade", "noise before"])
def test_noise_60_db_under_the_peak_fades_and_padding_change_nothing(kind, t60_s, change):
    y = stroke_of(kind, t60_s).astype(np.float64)
    changed = {
        "noise": with_noise(y, -60),
        "noise and tail": with_noise(np.concatenate([y, np.zeros(SR)]), -60),
        "silence": np.concatenate([np.zeros(SR // 3), y, np.zeros(SR)]),
        "fade": y * np.minimum(1.0, np.arange(len(y), 0, -1) / (0.03 * SR)),
        "noise before": with_noise(np.concatenate([np.zeros(SR // 4), y]), -60),
    }[change]
    before, after = measure(y)[0], measure(changed)[0]
    for old, new in zip(before, after, strict=True):
        assert new == pytest.approx(old, rel=STABLE)


@pytest.mark.parametrize("level_db", [-70.0, -60.0, -45.0])
@pytest.mark.parametrize("t60_s", [0.15, 0.5, 1.2])
@pytest.mark.parametrize("fade", [False, True])
def test_the_noise_at_the_end_is_told_with_its_level(level_db, t60_s, fade):
    y = stroke_of("noise", t60_s)
    noisy = with_noise(np.concatenate([y, np.zeros(round(0.4 * SR))]), level_db)
    if fade:
        noisy *= np.minimum(1.0, np.arange(len(noisy), 0, -1) / (0.02 * SR))
    expected = level_db + 20 * math.log10(float(np.abs(y).max()))
    assert measure(noisy)[1] == pytest.approx(expected, abs=NOISE_TOLERANCE_DB)
    silence = np.zeros(round(0.3 * SR))
    assert measure(np.concatenate([silence, noisy]))[1] == pytest.approx(expected, abs=1.0)


def test_a_decay_that_ends_in_silence_or_is_cut_shows_no_noise():
    y = stroke_of("noise", 1.0)
    for changed in (y, y[: SR // 2], np.concatenate([y, np.zeros(SR)])):
        assert math.isnan(measure(changed)[1])


@pytest.mark.parametrize("share", [0.35, 0.6])
def test_a_cut_hit_has_at_least_its_length_and_the_decay_of_the_whole(share):
    y = stroke_of("tone", 1.0)[: round(share * SR)]
    decay, _ = measure(y)
    assert decay.length_s == pytest.approx(share, abs=0.01)
    assert decay.seen_db == pytest.approx(-60.0 * share, abs=2.0)
    assert decay.decay20_s == pytest.approx(1.0 / 3, rel=STABLE)
    if share > 0.5:
        assert decay.decay60_s == pytest.approx(1.0, rel=STABLE)
    else:
        assert math.isnan(decay.decay60_s)


def test_a_decay_that_loud_noise_hides_has_at_least_the_length_that_is_seen():
    y = np.concatenate([stroke_of("noise", 1.0), np.zeros(SR)])
    decay, _ = measure(with_noise(y, -35))
    assert -45.0 < decay.seen_db < -20.0
    assert decay.length_s == pytest.approx(-decay.seen_db / 60.0, rel=0.15)
    assert decay.decay20_s == pytest.approx(1.0 / 3, rel=STABLE)


def test_a_sustained_sound_is_no_noise():
    t = np.arange(SR // 2) / SR
    hum = np.sin(2 * np.pi * 100 * t) * (1.0 + 2.0 * np.exp(-t / 0.01))
    decay, noise_db = measure(0.2 * hum)
    assert math.isnan(noise_db)
    assert decay.length_s == pytest.approx(0.5, abs=0.01)
    assert decay.seen_db > -15.0


@pytest.mark.parametrize("sr", [44_100, 88_200, 96_000])
@pytest.mark.parametrize("t60_s", [0.1, 1.0])
def test_the_rate_does_not_change_length_and_decay(sr, t60_s):
    for old, new in zip(
        measure(stroke_of("tone", t60_s))[0],
        measure(stroke_of("tone", t60_s, sr), sr)[0],
        strict=True,
    ):
        assert new == pytest.approx(old, rel=0.03)


@pytest.mark.parametrize("n", [2, 15, 16, 17, 441, 1000])
def test_very_short_hits_have_at_least_their_length(n):
    y = np.random.default_rng(n).normal(size=n)
    decay, noise_db = measure(y, 44_100)
    assert decay.length_s == pytest.approx(n / 44_100, abs=1e-9)
    assert math.isnan(noise_db)
