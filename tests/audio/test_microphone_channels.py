"""Channels without names are one stereo microphone only if all speaks for it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from catalog.audio.microphone_channels import group_channels
from tests.signals import SR, decaying_noise, drum_stroke, mix_take


def take(*, gains=(1.0, 1.0, 1.0), room=0.1, cutoff_hz=12_000.0, delay=0):
    """Return three strokes, each over noise that rings, below a frequency."""
    laid = []
    for number, gain in enumerate(gains):
        ring = room * decaying_noise(1.5, seed=number, length_s=0.7)
        laid.append((0.3 + number + delay / SR, gain * drum_stroke(120, seed=number)))
        laid.append((0.3 + number + delay / SR, gain * ring))
    mono = mix_take(laid, length_s=3.5)
    return sosfilt(butter(2, cutoff_hz, fs=SR, output="sos"), mono)


def microphones(left, right):
    close = take(cutoff_hz=3_000.0, gains=(0.1, 0.1, 0.1))
    right = right * np.sqrt(np.square(left).mean() / np.square(right).mean())
    samples = np.stack([close, left, right], axis=1)
    return [group.channels for group in group_channels(samples, sr=SR, pair_name=lambda *_: None)]


def test_two_channels_that_are_alike_are_one_stereo_microphone():
    assert microphones(take(), take(delay=10, cutoff_hz=11_000.0)) == [(1,), (2, 3)]


@pytest.mark.parametrize(
    "other",
    [
        {"cutoff_hz": 1_500.0},
        {"gains": (1.0, 0.4, 0.9)},
        {"room": 1.0},
        {"delay": 150},
    ],
    ids=["duller", "one stroke softer", "more room", "farther"],
)
def test_equally_loud_channels_that_differ_otherwise_are_two_microphones(other):
    assert microphones(take(), take(**other)) == [(1,), (2,), (3,)]
