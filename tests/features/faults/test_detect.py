"""Each fault is found in place and with its value, and a clean stroke has none.

Source: true peak by fourfold oversampling, Recommendation ITU-R BS.1770-4, Annex 2; compared with
soxr's resampler. Other limits are common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import soxr
from hypothesis import given
from hypothesis import strategies as st

from catalog.audio.model import Audio
from catalog.features.faults import FAULT_KINDS
from catalog.features.faults.channels import peak_correlation
from catalog.features.faults.clipping import true_peak_near_full
from catalog.features.faults.detect import find_faults
from catalog.features.faults.kinds import make_fault
from catalog.features.faults.timeline import BlockPeaks
from catalog.features.measure import measure_segments
from catalog.features.waveform import mix_to_mono
from tests.signals import SR, STROKE_LEAD_S, drum_stroke

LEAD = round(STROKE_LEAD_S * SR)
BEFORE = round(0.25 * SR)
CLICK_AT = BEFORE - round(0.08 * SR)
QUIET = 10 ** (-92 / 20)
TRUE_PEAK_DB = 0.1  # two interpolators of different length; BS.1770-4 allows its meters more


def take(amplitude: float = 0.3) -> np.ndarray:
    """Return a stroke with quiet around it, shape (n, 1), that starts from silence and decays."""
    y = drum_stroke()[LEAD:].astype(float)
    y[:32] *= np.linspace(0, 1, 32)
    y *= np.cos(np.linspace(0, np.pi / 2, len(y))) ** 4 * amplitude / np.abs(y).max()
    y = np.concatenate([np.zeros(BEFORE), y, np.zeros(BEFORE)])
    return (y + np.random.default_rng(1).normal(size=len(y)) * QUIET)[:, None]


def clicked_take() -> np.ndarray:
    y = take()
    y[CLICK_AT : CLICK_AT + 3, 0] += 0.03
    return y


def found(y: np.ndarray, subtype: str = "PCM_24"):
    samples = np.asarray(y, np.float32)
    faults = find_faults(samples, mix_to_mono(samples), sr=SR, subtype=subtype)
    return {fault.kind: fault for fault in faults}


def test_a_clean_stroke_has_no_fault():
    assert found(take()) == {}


def test_a_clipped_run_is_found_where_it_is():
    y = np.clip(take(1.6), -1.0, 1.0)
    fault = found(y)["clipped"]
    at = round(fault.at_s * SR)
    assert abs(y[at, 0]) == 1.0
    assert fault.length_s * SR >= 3
    assert fault.value <= np.sum(np.abs(y) >= 1.0)


def test_floating_point_above_full_scale_is_not_a_fault():
    assert found(take(2.0), subtype="FLOAT") == {}


def test_a_quarter_rate_tone_exceeds_full_scale_between_its_samples():
    y = take(0.2)
    n = round(0.01 * SR)
    burst = np.sin(np.pi / 2 * np.arange(n) + np.pi / 4) * np.hanning(n)
    y[BEFORE : BEFORE + n, 0] += 1.2 * burst
    assert np.abs(y).max() < 1.0
    fault = found(y)["over"]
    outside = soxr.resample(y[:, 0], SR, 16 * SR, quality="VHQ")
    assert fault.value == pytest.approx(20 * math.log10(np.abs(outside).max()), abs=TRUE_PEAK_DB)


def test_the_true_peak_of_noise_agrees_with_soxr():
    rng = np.random.default_rng(3)
    for _ in range(5):
        y = np.convolve(rng.normal(size=4000), np.hanning(7), "same")
        y = (0.99 * y / np.abs(y).max()).astype(np.float32)
        outside = np.abs(soxr.resample(y.astype(float), SR, 16 * SR, quality="VHQ")).max()
        level, _ = true_peak_near_full(y)
        assert 20 * math.log10(level / outside) == pytest.approx(0.0, abs=TRUE_PEAK_DB)


def test_a_dc_offset_is_found_with_its_level():
    fault = found(take() + 0.01)["dc"]
    assert fault.value == pytest.approx(-40.0, abs=0.5)
    assert fault.channel == 0


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_found_with_its_level_at_both_mains_frequencies(mains):
    y = take()
    t = np.arange(len(y)) / SR
    tone = np.sin(2 * np.pi * mains * t) + 0.5 * np.sin(2 * np.pi * 3 * mains * t + 1)
    y[:, 0] += tone / tone.std() * 10 ** (-50 / 20)
    faults = found(y)
    assert faults["hum"].value == pytest.approx(-50.0, abs=1.0)
    assert faults["hum"].hz == mains
    assert "rumble" not in faults


def test_hum_of_one_channel_is_found_with_this_channel():
    y = np.repeat(take()[:, :1], 2, axis=1)
    y[:, 1] += 10 ** (-40 / 20) * np.sin(2 * np.pi * 50 * np.arange(len(y)) / SR)
    assert found(y)["hum"].channel == 1


def test_a_kick_that_rings_at_60_6_hz_is_not_hum():
    t = np.arange(round(0.5 * SR)) / SR
    kick = 0.5 * np.sin(2 * np.pi * 60.6 * t) * 10 ** (-3 * t / 4.0)
    assert "hum" not in found(np.concatenate([np.zeros(100), kick])[:, None].astype(np.float32))


def test_a_drum_tone_near_the_mains_frequency_is_not_hum():
    t = np.arange(SR) / SR
    y = take()
    tone = 0.2 * np.sin(2 * np.pi * 50.0 * t) * np.exp(-t / 0.08)
    y[BEFORE : BEFORE + SR, 0] += tone[: len(y) - BEFORE]
    assert "hum" not in found(y)


def test_a_click_before_the_stroke_is_found_in_place():
    fault = found(clicked_take())["click"]
    assert fault.at_s == pytest.approx(CLICK_AT / SR, abs=0.002)
    assert fault.value == pytest.approx(-20.0, abs=1.5)


def test_rumble_before_the_stroke_is_found():
    y = take()
    t = np.arange(len(y)) / SR
    fade = np.clip((t[-1] - 0.1 - t) / 0.2, 0, 1)
    y[:, 0] += 0.01 * np.sin(2 * np.pi * 11 * t) * fade
    assert "rumble" in found(y)


def test_a_cut_start_is_found():
    y = take()
    first = int(np.argmax(np.abs(y[:, 0]) > 0.2))
    assert found(y[first:])["start_cut"].at_s == 0.0
    assert "start_cut" not in found(y[BEFORE - 100 :])


def test_a_cut_tail_is_found_and_a_faded_one_is_not():
    cut = take()[: BEFORE + round(0.2 * SR)].copy()
    fault = found(cut)["tail_cut"]
    assert fault.at_s == pytest.approx(len(cut) / SR - 0.02, abs=0.001)
    cut[-960:, 0] *= np.linspace(1, 0, 960)
    assert "tail_cut" not in found(cut)


@pytest.mark.parametrize("late_s", [0.03, 0.2])
def test_a_second_stroke_is_found_at_its_onset(late_s):
    y, late = take(), round(late_s * SR)
    both = y + 2.0 * np.concatenate([np.zeros((late, 1)), y[:-late]])
    fault = found(both)["second"]
    assert fault.at_s == pytest.approx(BEFORE / SR + late_s, abs=0.005)


def test_steady_noise_at_the_end_is_found_as_the_noise_floor():
    y = take()
    y += np.random.default_rng(2).normal(size=y.shape) * 10 ** (-45 / 20)
    faults = found(y)
    assert faults["floor"].value == pytest.approx(-45.0, abs=1.0)
    assert "tail_cut" not in faults


def test_a_silent_channel_is_found():
    y = take()
    assert found(np.concatenate([y, y * 1e-4], axis=1))["silent"].channel == 1
    assert "silent" not in found(np.concatenate([y, y * 0.1], axis=1))


def test_an_inverted_channel_is_found():
    y = take()
    later = np.concatenate([np.zeros((12, 1)), y[:-12]])
    assert found(np.concatenate([y, -later], axis=1))["polarity"].channel == 1
    assert "polarity" not in found(np.concatenate([y, later], axis=1))


def test_peak_correlation_agrees_with_a_search_over_all_lags():
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=300), rng.normal(size=300)
    norm = math.sqrt(float(a @ a) * float(b @ b))
    all_lags = [
        float(np.dot(a[max(0, k) : 300 + min(0, k)], b[max(0, -k) : 300 - max(0, k)])) / norm
        for k in range(-20, 21)
    ]
    expected = max(all_lags, key=abs)
    assert peak_correlation(a, b, max_lag=20) == pytest.approx(expected)


@pytest.mark.parametrize("subtype", ["PCM_24", "FLOAT"])
@pytest.mark.parametrize(
    ("dbfs", "is_fault"),
    [(-30.0, True), (-12.1, True), (-11.9, False), (-6.1, False), (-5.9, True), (5.0, True)],
)
def test_takes_must_peak_between_the_limits_in_any_format(dbfs, is_fault, subtype):
    """Between -12 and -6 dBFS; common practice, no source."""
    y = take(10 ** (dbfs / 20)).astype(np.float32)
    audio = Audio(np.concatenate([y, 0.5 * y]), SR, "WAV", subtype)
    first = measure_segments(audio, [(0, len(y)), (len(y), 2 * len(y))])
    levels = [fault for fault in first.faults if fault.kind == "raw_peak"]
    assert bool(levels) is is_fault
    assert all(fault.value == pytest.approx(dbfs, abs=0.05) for fault in levels)


def test_each_channel_of_a_take_has_its_own_level_at_the_stroke_where_it_peaks():
    soft, loud = take(0.1), take(1.5)
    channels = [np.concatenate([loud, soft]), np.concatenate([soft, 0.4 * soft])]
    dead = np.concatenate([soft, soft]) * 1e-4
    audio = Audio(np.concatenate([*channels, dead], axis=1).astype(np.float32), SR, "WAV", "FLOAT")
    half = len(soft)
    first = measure_segments(audio, [(0, half), (half, 2 * half)])
    levels = {f.channel: f.value for f in first.faults if f.kind == "raw_peak"}
    assert levels == {0: pytest.approx(3.5, abs=0.1), 1: pytest.approx(-20.0, abs=0.2)}
    assert all(fault.kind != "raw_peak" for fault in first.others[0].faults)


def test_weights_grow_with_the_value_and_stay_within_their_limits():
    for kind, k in FAULT_KINDS.items():
        values = np.linspace(k.least, k.most, 5)
        weights = [make_fault(kind, float(v), at_s=0.0).weight for v in values]
        assert weights == sorted(weights)
        assert (weights[0], weights[-1]) == (0.2, 1.0)


@pytest.mark.parametrize("n", [2, 3, 50, 1000])
def test_very_short_hits_are_examined_without_error(n):
    y = np.random.default_rng(n).normal(size=(n, 2)) * 0.2
    assert all(0 <= fault.at_s <= n / SR for fault in found(y).values())


@given(st.integers(1, 400), st.integers(1, 50), st.integers(0, 30), st.integers(0, 30))
def test_block_peaks_are_the_same_computed_at_once_or_one_by_one(n, block, first, length):
    y = np.random.default_rng(n).normal(size=n)
    whole = [np.abs(y[at : at + block]).max() for at in range(0, max(n // block, 1) * block, block)]
    peaks = BlockPeaks(y, block)
    alone = peaks.between(first, first + length)
    peaks.compute_all()
    assert alone.tolist() == whole[first : first + length]
    assert peaks.between(first, first + length).tolist() == alone.tolist()


@pytest.mark.parametrize("rate", [8_000, 192_000])
def test_any_sample_rate_is_examined(rate):
    y = take().astype(np.float32)
    find_faults(y, y[:, 0], sr=rate, subtype="PCM_16")


def test_gain_does_not_change_relative_values():
    y = clicked_take()
    loud, soft = found(y)["click"], found(0.5 * y)["click"]
    assert loud.value == pytest.approx(soft.value, abs=0.05)


def test_positions_are_from_the_start_of_a_take_and_the_loudest_stroke_has_its_level_fault():
    both = np.concatenate([take(0.1), clicked_take()]).astype(np.float32)
    half = len(both) // 2
    audio = Audio(0.5 * both, SR, "WAV", "PCM_24")
    first = measure_segments(audio, [(0, half), (half, len(both))])
    second = first.others[0]
    kinds = {fault.kind: fault for fault in second.faults}
    assert kinds["click"].at_s == pytest.approx((half + CLICK_AT) / SR, abs=0.002)
    assert kinds["raw_peak"].value == pytest.approx(-16.5, abs=0.2)
    assert all(fault.kind != "raw_peak" for fault in first.faults)


@pytest.mark.parametrize("hz", [45.0, 60.0, 80.0])
@pytest.mark.parametrize("phase", [0.0, 0.8, 1.6, 2.4])
def test_a_fade_within_half_a_period_of_a_low_drum_is_distinguished_from_a_cut(hz, phase):
    t = np.arange(round(0.3 * SR)) / SR
    ringing = 0.3 * np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.2)
    ringing[:32] *= np.linspace(0, 1, 32)
    cut = ringing[: len(ringing) - round((phase / (2 * np.pi)) * SR / hz)]
    lead = np.random.default_rng(2).normal(size=BEFORE) * QUIET
    faded = cut.copy()
    faded[-round(0.010 * SR) :] *= np.linspace(1, 0, round(0.010 * SR))
    assert "tail_cut" in found(np.concatenate([lead, cut])[:, None])
    assert "tail_cut" not in found(np.concatenate([lead, faded])[:, None])
