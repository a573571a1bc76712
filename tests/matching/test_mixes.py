"""A finished mix of the microphones of one stroke is found, and its levels and delays."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.matching.mixes import fit_mix
from tests.signals import drum_stroke

SR = 44_100
LEAD = 2000  # samples before the stroke


def microphone(seed: int, *, late: int = 0, room: float = 0.0) -> Audio:
    """Return one microphone: all hear the stroke `seed`, each through its own short response."""
    rng = np.random.default_rng(int(1000 * room) + late + 7)
    stroke = np.concatenate([np.zeros(LEAD + late), drum_stroke(190, seed=seed, sr=SR)])
    response = np.zeros(600)
    response[0] = 1.0
    response += room * rng.normal(size=600) * np.exp(-np.arange(600) / 150)
    heard = np.convolve(stroke, response)[: len(stroke)]
    return Audio((0.5 * heard / np.abs(heard).max()).astype(np.float32)[:, None], SR, "WAV", "F")


def microphones(seed: int) -> list[Audio]:
    return [
        microphone(seed),
        microphone(seed, late=40, room=0.3),
        microphone(seed, late=230, room=0.6),
    ]


def mix(sources: list[Audio], gains: list[list[float]], delays: list[int]) -> Audio:
    n = min(len(source.samples) for source in sources)
    out = np.zeros((n, len(gains[0])))
    for source, gain, delay in zip(sources, gains, delays, strict=True):
        out[delay:] += source.samples[: n - delay] * np.array(gain)
    return Audio(out.astype(np.float32), SR, "WAV", "PCM_24")


def test_the_levels_polarities_and_delays_of_a_mix_are_found():
    fit = fit_mix(mix(microphones(1), [[0.8], [-0.5], [0.3]], [0, 100, 0]), microphones(1))
    assert fit.is_copy
    assert fit.gains[:, 0] == pytest.approx([0.8, -0.5, 0.3], abs=0.02)
    assert fit.delays_s * SR == pytest.approx([0, 100, 0], abs=0.5)


def test_a_stereo_mix_has_gains_for_each_side():
    fit = fit_mix(
        mix(microphones(2), [[0.5, 0.5], [0.6, 0.1], [0.1, 0.4]], [0, 0, 0]), microphones(2)
    )
    assert fit.is_copy
    assert fit.gains == pytest.approx(np.array([[0.5, 0.5], [0.6, 0.1], [0.1, 0.4]]), abs=0.03)


def test_a_cut_faded_mix_at_another_rate_is_found():
    whole = mix(microphones(3), [[0.7], [0.6], [0.2]], [0, 0, 0]).samples[
        LEAD - 300 : LEAD + 15_000
    ]
    faded = whole * np.linspace(1, 0, len(whole))[:, None] ** 0.2
    other_rate = resample(faded.astype(np.float32), sr=SR, to_sr=48_000)
    assert fit_mix(Audio(other_rate, 48_000, "WAV", "PCM_16"), microphones(3)).is_copy


def test_a_mix_of_another_stroke_is_none_of_these():
    other = mix(microphones(5), [[0.8], [0.5], [0.3]], [0, 0, 0])
    assert not fit_mix(other, microphones(4)).is_copy


def test_one_microphone_alone_is_no_mix():
    fit = fit_mix(microphones(6)[1], microphones(6))
    assert fit is not None
    assert not fit.is_copy


def test_silence_fits_nothing():
    silence = Audio(np.zeros((SR, 1), np.float32), SR, "WAV", "PCM_16")
    assert fit_mix(silence, microphones(7)) is None
