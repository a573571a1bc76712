"""The loudest chord: what two hands and two feet strike together, added as waveforms."""

import math

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.kit.chords import loudest_chord

SR = 48_000
SAME_DB = 0.05  # the ringing of the oversampling filter beside an impulse


def pulse(height: float, *, at_s: float = 0.01, sr: int = SR, n_channels: int = 1) -> Audio:
    """Return a half wave of 1 kHz."""
    wave = np.zeros((round(0.1 * sr), n_channels), np.float32)
    n = sr // 2000
    wave[round(at_s * sr) :][:n] = height * np.sin(np.pi * np.arange(n) / n)[:, None]
    return Audio(wave, sr, "WAV", "FLOAT")


@pytest.mark.parametrize(
    ("heights", "slots"),
    [
        ({"kick": 0.5, "snare": 0.25, "crash": 0.2, "ride": 0.1}, {"kick", "snare", "crash"}),
        ({"tom_low": 0.3, "tom_mid": 0.2, "tom_high": 0.1}, {"tom_low", "tom_mid"}),
        ({"kick": 0.2, "kick_2": 0.2, "hat_pedal": 0.1, "snare": 0.1}, {"kick", "kick_2", "snare"}),
        ({"hat_open": 0.3, "hat_closed": 0.3, "snare": 0.1}, {"hat_open", "snare"}),
        ({"hat_pedal": 0.1, "hat_closed": 0.3, "snare": 0.2}, {"hat_closed", "snare"}),
        ({"kick": 0.5, "snare": -0.2}, {"kick"}),  # of opposite polarity
    ],
)
def test_strokes_that_can_sound_together_are_added(heights, slots):
    chord = loudest_chord({slot: pulse(height) for slot, height in heights.items()})
    assert set(chord.slots) == slots
    total = abs(sum(heights[slot] for slot in slots))
    assert chord.peak_dbtp == pytest.approx(20 * math.log10(total), abs=SAME_DB)


def test_peaks_at_different_times_do_not_add():
    chord = loudest_chord({"kick": pulse(0.4), "snare": pulse(0.4, at_s=0.05)})
    assert chord.peak_dbtp == pytest.approx(20 * math.log10(0.4), abs=SAME_DB)


def test_strokes_of_other_rates_and_channels_are_added():
    strokes = {"kick": pulse(0.3), "snare": pulse(0.2, sr=96_000, n_channels=2)}
    assert loudest_chord(strokes).peak_dbtp == pytest.approx(20 * math.log10(0.5), abs=SAME_DB)


def test_silence_and_no_stroke_have_no_peak():
    assert loudest_chord({}).peak_dbtp == -math.inf
    assert loudest_chord({"kick": pulse(0.0)}).peak_dbtp == -math.inf
