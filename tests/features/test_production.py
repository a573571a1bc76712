"""Production descriptors have known values on synthetic sounds and are never NaN."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.features.production import (
    LOWEST_DB,
    PRODUCTION_DESCRIPTORS,
    PRODUCTION_NAMES,
    measure_production,
)

SR = 44_100


def noise(length_s: float = 1.5, *, decay_s: float = 0.1, n_channels: int = 1) -> np.ndarray:
    n = round(length_s * SR)
    wave = np.random.default_rng(3).standard_normal((n, n_channels))
    return (0.2 * wave * np.exp(-np.arange(n) / SR / decay_s)[:, None]).astype(np.float32)


def measured(samples: np.ndarray, *, sr: int = SR, onset: int = 0) -> dict[str, float]:
    values = measure_production(samples.astype(np.float32), sr=sr, onset=onset)
    return dict(zip(PRODUCTION_NAMES, map(float, values), strict=True))


def test_names_are_unique_and_every_descriptor_has_an_aspect() -> None:
    assert len(set(PRODUCTION_NAMES)) == len(PRODUCTION_DESCRIPTORS) == 42
    aspects = {"width", "level", "bandwidth", "noise", "room", "tone"}
    assert {d.aspect for d in PRODUCTION_DESCRIPTORS} == aspects


@given(
    n=st.integers(0, 3000),
    n_channels=st.sampled_from([1, 2, 3, 8]),
    sr=st.sampled_from([4000, 8000, 11_111, 22_050, 44_100, 192_000]),
    onset=st.integers(-10, 5000),
    kind=st.sampled_from(["noise", "silence", "dc", "nan", "infinite", "impulse"]),
)
@settings(max_examples=150, deadline=None)
def test_every_input_gives_finite_values(
    n: int, n_channels: int, sr: int, onset: int, kind: str
) -> None:
    x = np.random.default_rng(n).standard_normal((n, n_channels)).astype(np.float32)
    if kind in ("silence", "dc", "impulse"):
        x[:] = 0.5 if kind == "dc" else 0.0
    x[n // 2 : n // 2 + 1] = {"nan": np.nan, "infinite": -np.inf, "impulse": 1.0}.get(kind, 0.0)
    values = measure_production(x, sr=sr, onset=onset)
    assert values.dtype == np.float32
    assert values.shape == (42,)
    assert np.isfinite(values).all()


def test_mono_has_no_width_and_unrelated_channels_have_half() -> None:
    mono = noise()
    assert measured(mono)["width"] == 0.0
    assert measured(np.repeat(mono, 2, axis=1))["width"] == pytest.approx(0.0, abs=1e-6)
    wide = measured(noise(n_channels=2))
    assert wide["width"] == pytest.approx(0.5, abs=0.03)
    assert wide["correlation"] == pytest.approx(0.0, abs=0.05)
    opposite = measured(np.concatenate([mono, -mono], axis=1))
    assert opposite["width"] == pytest.approx(1.0, abs=1e-6)
    assert opposite["correlation"] == pytest.approx(-1.0, abs=1e-6)


def test_width_is_measured_by_band() -> None:
    time_s = np.arange(SR) / SR
    low, high = np.sin(2 * np.pi * 100 * time_s), np.sin(2 * np.pi * 8000 * time_s)
    pair = np.stack([low + high, low - high], axis=1) * np.exp(-time_s / 0.1)[:, None]
    values = measured(0.3 * pair)
    assert values["width_below"] < 0.01
    assert values["width_above"] > 0.99


def test_balance_is_the_ratio_of_the_channels() -> None:
    pair = np.repeat(noise(), 2, axis=1) * [1.0, 0.5]
    assert measured(pair)["balance_db"] == pytest.approx(20 * np.log10(2), abs=1e-3)


@pytest.mark.parametrize("cutoff_hz", [3000, 8000, 15_000])
def test_the_edge_is_where_a_steep_low_pass_cuts(cutoff_hz: int) -> None:
    spectrum = np.fft.rfft(noise(1.0)[:, 0])
    spectrum[cutoff_hz:] = 0.0  # one second: a bin is 1 Hz
    cut = np.fft.irfft(spectrum, SR)[:, None]
    rise = np.sin(np.pi / 2 * np.minimum(1.0, np.arange(SR) / (0.02 * SR))) ** 2  # no click
    values = measured(cut * (rise * np.exp(-np.arange(SR) / SR / 0.2))[:, None])
    for name in ("edge40_hz", "edge55_hz"):
        assert values[name] == pytest.approx(cutoff_hz, abs=2 * 172 + 60)


def test_the_edge_never_passes_half_the_rate() -> None:
    values = measured(noise(), sr=8000)
    assert values["edge70_hz"] <= 4000.0
    assert values["share_16k_db"] == LOWEST_DB


def test_levels_after_the_peak_follow_an_exponential() -> None:
    """exp(-t / tau) falls 20 log10(e) / tau = 8.686 / tau dB a second."""
    tau_s = 0.1
    time_s = np.arange(2 * SR) / SR
    tone = np.sin(2 * np.pi * 1000 * time_s + np.pi / 2) * np.exp(-time_s / tau_s)
    values = measured(tone[:, None])
    for ms in (100, 250, 500):
        mean_at_s = ms / 1000 + 0.0125  # the middle of a 25 ms block; a sine is 3 dB under its peak
        assert values[f"after{ms}_db"] == pytest.approx(-8.686 * mean_at_s / tau_s - 3.01, abs=0.3)
    assert values["late_decay_s"] == pytest.approx(60 * tau_s / 8.686, rel=0.02)


def test_the_noise_floor_is_measured_before_the_stroke() -> None:
    lead = 1e-3 * np.random.default_rng(1).standard_normal((SR // 5, 1))
    values = measured(np.concatenate([lead, noise()]), onset=len(lead))
    assert values["floor_before_db"] == pytest.approx(-60.0, abs=0.3)


@pytest.mark.parametrize("gain_db", [-6.0, 6.0])
def test_gain_changes_absolute_levels_only(gain_db: float) -> None:
    x = 0.2 * noise(n_channels=2, decay_s=0.3)  # its end stays above the lowest level
    plain, louder = measured(x), measured(x * 10 ** (gain_db / 20))
    for descriptor in PRODUCTION_DESCRIPTORS:
        name = descriptor.name
        if name.startswith("floor"):
            continue
        is_level = descriptor.unit == "dBFS"
        expected, tolerance = (gain_db, 0.6) if is_level else (0.0, 1e-3 * max(1, abs(plain[name])))
        assert louder[name] - plain[name] == pytest.approx(expected, abs=tolerance), name


def test_a_band_holds_the_tone_within_it() -> None:
    """Half the energy in each of two bands is 10 log10(1/2) = -3.01 dB in both."""
    time_s = np.arange(SR) / SR
    pair = np.sin(2 * np.pi * 100 * time_s) + np.sin(2 * np.pi * 3500 * time_s)
    values = measured((0.3 * pair)[:, None])
    assert values["band80_db"] == pytest.approx(-3.01, abs=0.05)
    assert values["band2560_db"] == pytest.approx(-3.01, abs=0.05)
    assert values["band640_db"] < -40.0


def test_the_fall_at_the_end_is_that_of_the_fade() -> None:
    """exp(-t / tau) falls 8.686 / tau dB a second, the same over 10, 40 and 90 ms."""
    tone = np.sin(2 * np.pi * 1000 * np.arange(SR) / SR) * np.exp(-np.arange(SR) / SR / 0.2)
    values = measured(tone[:, None])
    for name, distance_s in (("fall10_db", 0.010), ("fall50_db", 0.040), ("fall100_db", 0.090)):
        assert values[name] == pytest.approx(-8.686 * distance_s / 0.2, abs=0.1), name


def test_polarity_changes_nothing() -> None:
    x = noise(n_channels=2)
    plain, inverted = (measure_production(y, sr=SR, onset=0) for y in (x, -x))
    assert np.allclose(plain, inverted, atol=1e-4)


def test_channels_that_cancel_are_measured_by_the_first() -> None:
    mono = noise()
    turned = np.hstack([mono, -mono])
    for name in ("level_db", "crest_db", "peak_db"):
        assert measured(turned)[name] == pytest.approx(measured(mono)[name], abs=1e-3)


def test_an_offset_is_measured_and_changes_nothing_else() -> None:
    plain, moved = measured(noise()), measured(noise() + np.float32(0.1))
    assert moved["offset_db"] == pytest.approx(-20.0, abs=0.1)
    for name in ("edge55_hz", "after100_db", "level_db"):
        assert moved[name] == pytest.approx(plain[name], rel=1e-2)


def test_samples_at_full_scale_are_counted() -> None:
    assert measured(np.clip(20 * noise(), -1, 1))["full_scale_db"] > -20.0
    assert measured(0.1 * noise())["full_scale_db"] == LOWEST_DB


def test_bad_arguments_are_refused() -> None:
    with pytest.raises(ParameterError, match="sr=0 must be above 0"):
        measure_production(noise(), sr=0, onset=0)
    with pytest.raises(ParameterError, match="2 dimensions, not 1"):
        measure_production(noise()[:, 0], sr=SR, onset=0)
