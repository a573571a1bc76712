"""Recordings made dull: highs removed, and independent noise on each stroke."""

from __future__ import annotations

import numpy as np

from catalog.training.pairs import DULL_HZ, dull_recorder
from tests.matching.hits import as_audio


def test_a_dull_recording_loses_its_highs_and_gets_noise_of_its_own():
    record = dull_recorder(np.random.default_rng(3))
    impulse = as_audio(np.eye(1, 48_000, 4_800)[0])  # flat spectrum
    first, second = (record(impulse).samples[:, 0] for _ in range(2))
    assert not np.array_equal(first, second)
    hz = np.fft.rfftfreq(480, 1 / 48_000)
    power = np.abs(np.fft.rfft(first[4_700:5_180])) ** 2
    assert power[hz > 4 * DULL_HZ[1]].mean() < 0.01 * power[hz < DULL_HZ[0]].max()
