"""Delays, polarity and mixes of microphones whose answers are laid into the signal."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.channels import (
    CANCEL_DB,
    cancellation_db,
    check_mix,
    measure_delays,
    mix_channels,
)
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from tests.signals import SR, drum_stroke

DELAYS = (0, 48, 480)  # frames; 480 at 48 kHz are 10 ms
LENGTH = 40_000


def multichannel(delays=DELAYS, signs=(1, 1, 1), gains=(1.0, 0.5, 0.2)):
    """Return one stroke through several microphones, each with its own noise."""
    stroke, rng = drum_stroke(150), np.random.default_rng(2)
    out = rng.normal(scale=1e-4, size=(LENGTH, len(delays)))
    for column, (delay, sign, gain) in enumerate(zip(delays, signs, gains, strict=True)):
        n = min(len(stroke), LENGTH - delay)
        out[delay : delay + n, column] += sign * gain * stroke[:n]
    return out.astype(np.float32)


def audio(samples):
    return Audio(samples, SR, "WAV", "PCM_24")


def test_delays_are_measured():
    found = measure_delays(multichannel(), sr=SR)
    assert [d.delay_ms for d in found] == pytest.approx([0.0, 1.0, 10.0], abs=0.03)


def test_a_delay_of_10_ms_is_a_distance_of_3_43_m():
    """343 m/s in dry air at 20 degrees C: ISO 9613-1, from memory."""
    assert measure_delays(multichannel(), sr=SR)[2].distance_m == pytest.approx(3.43, abs=0.01)


def test_the_closest_channel_need_not_be_the_first_or_the_loudest():
    found = measure_delays(multichannel((96, 0), (1, 1), (1.0, 0.3)), sr=SR)
    assert [d.delay_ms for d in found] == pytest.approx([2.0, 0.0], abs=0.03)


def test_polarity_is_compared_with_the_closest_channel():
    found = measure_delays(multichannel(signs=(1, -1, 1)), sr=SR)
    assert [d.flipped for d in found] == [False, True, False]


def test_a_silent_channel_has_no_delay():
    samples = multichannel()
    samples[:, 1] = 0
    found = measure_delays(samples, sr=SR)
    assert np.isnan(found[1].delay_ms)
    assert found[2].delay_ms == pytest.approx(10.0, abs=0.03)


def test_no_samples_are_refused():
    with pytest.raises(ParameterError, match="no stroke to compare"):
        measure_delays(np.zeros((0, 2), np.float32), sr=SR)


def test_a_channel_is_picked_by_its_number():
    samples = multichannel()
    assert np.array_equal(mix_channels(audio(samples), "2").samples, samples[:, 1:2])
    assert mix_channels(audio(samples), "").samples is samples


def test_the_sum_is_the_mean_of_the_channels():
    samples = multichannel()
    assert np.allclose(mix_channels(audio(samples), "sum").samples[:, 0], samples.mean(axis=1))


def test_aligned_channels_add_up_where_the_sum_cancels():
    samples = multichannel((0, 0), (1, -1), (1.0, 0.95))
    summed, aligned = (mix_channels(audio(samples), mix).samples for mix in ("sum", "aligned"))
    assert cancellation_db(samples, summed) > CANCEL_DB
    assert cancellation_db(samples, aligned) < 0
    assert np.abs(aligned).max() > 10 * np.abs(summed).max()


def test_unrelated_channels_do_not_cancel():
    samples = np.random.default_rng(1).normal(size=(SR, 4)).astype(np.float32)
    lost_db = cancellation_db(samples, samples.mean(axis=1, keepdims=True))
    assert lost_db == pytest.approx(0.0, abs=0.2)  # powers add


@pytest.mark.parametrize("mix", ["0", "4", "left", "-1", "²"])
def test_an_unknown_mix_is_refused(mix):
    with pytest.raises(ParameterError, match="or a channel from 1 to 3"):
        check_mix(mix, n_channels=3)
