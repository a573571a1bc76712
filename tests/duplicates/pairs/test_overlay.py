"""Overlays recover known offsets, gains and polarities."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.resample import resample
from catalog.duplicates.pairs.overlay import SILENT_DB, overlay_recordings
from tests.matching.hits import as_audio
from tests.signals import SR, decaying_noise, drum_stroke


@pytest.fixture
def stroke() -> np.ndarray:
    return drum_stroke(180, seed=3)


def test_a_recording_cancels_itself(stroke):
    found = overlay_recordings(as_audio(stroke), as_audio(stroke))
    assert found.residual_db <= -100.0
    assert (found.is_inverted, round(found.offset_s, 6)) == (False, 0.0)
    assert abs(found.gain_db) < 1e-3


@pytest.mark.parametrize("gain", [0.1, 0.5, -0.5, 2.0, -1.0])
def test_gain_and_polarity_are_reported_and_removed(stroke, gain):
    found = overlay_recordings(as_audio(stroke), as_audio(gain * stroke))
    assert found.gain_db == pytest.approx(-20 * np.log10(abs(gain)), abs=0.01)
    assert found.is_inverted == (gain < 0)
    assert found.residual_db < -80.0


@pytest.mark.parametrize("n_before", [1, 100, 4_000])
def test_leading_silence_is_reported_as_offset(stroke, n_before):
    late = np.concatenate([np.zeros(n_before), stroke])
    found = overlay_recordings(as_audio(stroke), as_audio(late))
    assert found.offset_s == pytest.approx(n_before / SR, abs=0.5 / SR)
    assert found.residual_db < -60.0
    back = overlay_recordings(as_audio(late), as_audio(stroke))
    assert back.offset_s == pytest.approx(-n_before / SR, abs=0.5 / SR)


def test_another_sample_rate_cancels_too(stroke):
    other = resample(np.asarray(stroke, np.float32), sr=SR, to_sr=48_000).reshape(-1)
    assert overlay_recordings(as_audio(stroke), as_audio(other, 48_000)).residual_db < -35.0


def test_added_noise_remains_at_its_level():
    stroke = drum_stroke(180, seed=3, sr=44_100)  # the internal rate: no band is lost
    noise = np.random.default_rng(1).normal(size=len(stroke))
    noise *= 0.01 * np.sqrt(np.square(stroke).sum() / np.square(noise).sum())  # 40 dB below
    found = overlay_recordings(as_audio(stroke, 44_100), as_audio(stroke + noise, 44_100))
    assert found.residual_db == pytest.approx(-40.0, abs=0.5)


def test_another_stroke_hardly_cancels():
    first, second = (as_audio(decaying_noise(0.05, seed=seed)) for seed in (1, 2))
    assert overlay_recordings(first, second).residual_db > -3.0


def test_the_three_waveforms_have_one_length_and_add_up(stroke):
    found = overlay_recordings(as_audio(stroke), as_audio(0.3 * stroke[200:4000]))
    assert found.first.shape == found.second.shape == found.residual.shape
    assert np.allclose(found.first - found.second, found.residual, atol=1e-6)
    assert found.residual_db > SILENT_DB
