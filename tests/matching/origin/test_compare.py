"""Which of two copies was made first: each edit leaves a sign; what loses nothing leaves none."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.matching.origin.aligned import used_bits
from catalog.matching.origin.compare import compare_origin
from catalog.matching.origin.model import Loss
from catalog.matching.origin.noise import noise_sign
from catalog.training.edits import EDITS
from tests.signals import SR, drum_stroke


def rounded(samples: np.ndarray, bits: int, sr: int = SR) -> Audio:
    full = 2.0 ** (bits - 1)
    y = np.rint(np.asarray(samples, np.float64) * full).clip(-full, full - 1) / full
    return Audio(y.astype(np.float32), sr, "WAV", f"PCM_{bits}")


@lru_cache
def recording() -> Audio:
    """A stroke in the noise of a room, 24 bits, with room before and after it."""
    rng = np.random.default_rng(5)
    stroke = np.concatenate([np.zeros(800), drum_stroke(180), np.zeros(4000)])
    return rounded((0.5 * stroke + 3e-5 * rng.normal(size=len(stroke)))[:, None], 24)


EDIT = {edit.name: edit for edit in EDITS}
FOUND = {
    "MP3": Loss.LOSSY,
    "Opus": Loss.LOSSY,
    "gain -30 dB": Loss.ROUNDED,
    "16 bits": Loss.ROUNDED,
    "16 bits, dither": Loss.ROUNDED,
    "16 bits at -30 dB": Loss.ROUNDED,
    "start trimmed 3 ms": Loss.START,
    "tail cut to 30 %": Loss.TAIL,
    "faded": Loss.FADE,
    "silence before": Loss.SILENCE,
    "driven": Loss.DYNAMICS,
    "limited by 6 dB": Loss.DYNAMICS,
    "noise at -50 dB": Loss.NOISE,
    "tilt -6 dB": Loss.PROCESSED,
    "high shelf +6 dB": Loss.PROCESSED,
}


@pytest.mark.parametrize(("name", "loss"), FOUND.items())
def test_the_copy_that_was_edited_is_the_later_one(name, loss):
    edited = EDIT[name].change(recording(), np.random.default_rng(1))
    origin = compare_origin(recording(), edited)
    assert origin.order == 1
    assert loss in {sign.loss for sign in origin.signs if sign.weight > 0}
    assert compare_origin(edited, recording()).order == -1


@pytest.mark.parametrize("name", ["polarity", "FLAC, 24 bits", "44.1 kHz"])
def test_what_loses_nothing_makes_no_difference(name):
    source = Audio(resample(recording().samples, sr=SR, to_sr=44_100), 44_100, "WAV", "FLOAT")
    source = rounded(source.samples, 24, 44_100)
    edited = EDIT[name].change(source, np.random.default_rng(1))
    assert compare_origin(source, edited).order == 0


@pytest.mark.parametrize("gain_db", [-8.0, -20.0])
def test_a_quieter_bounce_padded_with_silence_is_the_later_copy(gain_db):
    quiet = recording().samples * 10 ** (gain_db / 20)
    bounce = rounded(np.concatenate([np.zeros((4800, 1)), quiet, np.zeros((9600, 1))]), 16)
    assert compare_origin(recording(), bounce).order == 1


def test_a_copy_at_a_higher_rate_is_the_later_one_unless_the_lower_rate_was_made_from_it():
    rng = np.random.default_rng(2)
    high = recording().samples + 1e-4 * rng.normal(size=recording().samples.shape)
    original = rounded(resample(high.astype(np.float32), sr=SR, to_sr=44_100), 24, 44_100)
    raised = rounded(resample(original.samples, sr=44_100, to_sr=96_000), 24, 96_000)
    assert compare_origin(original, raised).order == 1
    wide = rounded(high, 24, 48_000)
    lowered = rounded(resample(wide.samples, sr=48_000, to_sr=32_000), 24, 32_000)
    assert compare_origin(wide, lowered).order == 1


def test_used_bits_are_counted_whatever_the_format_of_the_file():
    coarse = rounded(recording().samples, 16).samples[:, 0]
    assert used_bits(coarse) == 16
    assert used_bits(recording().samples[:, 0]) == 24
    assert used_bits(coarse * np.float32(1 / 3)) == 0


def test_noise_that_a_growing_body_explains_is_no_sign():
    """A slow change of level raises the strongest band and the quiet bands alike."""
    hz = np.arange(1, 41) * 400.0
    frames = np.r_[np.linspace(0.0, -10.0, 12), np.linspace(-38.0, -40.0, 4)][:, None]  # dB
    power = 10 ** ((frames - 0.001 * hz) / 10)
    quiet = np.where(hz > 1000, 6.0 * (frames < -30), 0.0)
    body = np.where(hz > 1000, 0.0, 6.0 * (frames < -30))
    noisier, raised = power * 10 ** (quiet / 10), power * 10 ** ((quiet + body) / 10)
    for a, b, side in ((power, noisier, 1.0), (noisier, power, -1.0)):
        assert [sign.weight for sign in noise_sign(a, b, hz, (1e-16, 1e-16))] == [2.0 * side]
    for a, b in ((power, raised), (raised, power)):
        assert noise_sign(a, b, hz, (1e-16, 1e-16)) == []
