"""Faults of the microphones of a take are found with their channel, and none on a clean take."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.arrival import Arrival
from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.features.faults.take_microphones import find_far_below, find_opposite
from catalog.features.measure import measure_take
from tests.signals import drum_stroke

SR = 16_000
GROUPS = tuple(ChannelGroup(name, (n,)) for n, name in enumerate(("top", "OH", "room"), start=1))
GAINS, DELAYS = (0.6, 0.4, 0.3), (0, 50, 90)
N = 4


def make_take(gains=GAINS, noise=(1e-5, 1e-5, 1e-5), hum=0.0) -> Audio:
    """Return four strokes at three microphones; `hum` is the amplitude of 50 Hz in the third."""
    rng = np.random.default_rng(2)
    take = rng.normal(size=(round((N + 0.5) * SR), 3)) * noise
    take[:, 2] += hum * np.sin(2 * np.pi * 50 * np.arange(len(take)) / SR)
    for number in range(N):
        stroke = drum_stroke(180, seed=number, sr=SR)
        stroke *= np.cos(np.linspace(0, np.pi / 2, len(stroke))) ** 4  # decays into the noise
        for channel, (gain, delay) in enumerate(zip(gains, DELAYS, strict=True)):
            at = round((number + 0.3) * SR) + delay
            take[at : at + len(stroke), channel] += gain * stroke
    return Audio(take.astype(np.float32), SR, "WAV", "PCM_24")


def faults(audio: Audio) -> dict[str, set[int]]:
    """Return the channels, from 0, of each kind of fault."""
    first = measure_take(audio, GROUPS)
    found: dict[str, set[int]] = {}
    for stroke in (first, *first.others):
        for fault in stroke.faults:
            found.setdefault(fault.kind, set()).add(fault.channel)
    return found


def test_a_clean_take_has_none():
    assert faults(make_take()).keys() <= {"raw_peak"}


def test_levels_are_those_of_each_channel():
    assert faults(make_take())["raw_peak"] == {1, 2}  # peaks of -12.9 and -15.4 dBFS


def test_a_dead_microphone_is_named_once_and_gets_no_advice_on_its_level():
    found = faults(make_take(gains=(0.6, 0.4, 0.002)))
    assert (found["silent"], found["raw_peak"]) == ({2}, {1})


def test_noise_and_hum_are_named_with_their_channel():
    assert faults(make_take(noise=(1e-5, 1e-3, 1e-5)))["floor"] == {1}
    assert faults(make_take(hum=0.003))["hum"] == {2}


def test_the_noise_of_a_take_is_one_fault():
    first = measure_take(make_take(noise=(1e-5, 1e-3, 1e-5)), GROUPS)
    (noise,) = [f for m in (first, *first.others) for f in m.faults if f.kind == "floor"]
    assert noise.value == pytest.approx(-60.0, abs=1.0)  # the standard deviation of the noise


def test_the_one_microphone_of_opposite_polarity_is_named():
    assert faults(make_take(gains=(0.6, -0.4, 0.3)))["polarity"] == {1}
    assert faults(make_take(gains=(-0.6, 0.4, 0.3)))["polarity"] == {0}


def test_noise_in_one_channel_of_a_stereo_take_is_named_with_it():
    take = make_take(noise=(1e-5, 1e-3, 1e-5))
    stereo = Audio(take.samples[:, :2], SR, "WAV", "PCM_24")
    first = measure_take(stereo)
    assert {f.channel for m in (first, *first.others) for f in m.faults if f.kind == "floor"} == {1}


@pytest.mark.parametrize(("peaks", "named"), [((0.5, 0.4), []), ((0.5, 0.002), [1]), ((), [])])
def test_far_below_is_46_db_under_the_loudest(peaks, named):
    found = find_far_below(peaks)
    assert [n for n, fault in enumerate(found) if fault] == named
    assert [fault.value for fault in found if fault] == pytest.approx([-47.96] * len(named))


def test_an_uncertain_polarity_or_a_few_strokes_are_no_fault():
    sure, unsure = Arrival(40.0, 0.0, -1, 0.8), Arrival(40.0, 0.0, -1, 0.3)
    first = Arrival(0.0, 0.0, 1)
    assert [bool(f) for f in find_opposite([(first, sure)] * 4)] == [False, True]
    assert not any(find_opposite([(first, unsure)] * 4))
    assert not any(find_opposite([(first, sure)] * 3))
    assert not any(find_opposite([(first, sure)] * 2 + [(first, unsure)] * 2))
    assert find_opposite([]) == []
