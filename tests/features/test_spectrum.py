"""Decimation keeps low frequencies and their position, and suppresses aliases."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.spectrum import decimate

SR, FACTOR = 44_100, 8


def tone(hz: float) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(SR // 2) / SR).astype(np.float32)


@pytest.mark.parametrize("hz", [30.0, 200.0, 1200.0, 1500.0])
def test_a_low_tone_keeps_level_and_position(hz):
    low = decimate(tone(hz), FACTOR)
    between = (np.arange(len(low)) * FACTOR - 0.5) / SR  # an even filter lies between two samples
    assert np.abs(low - np.sin(2 * np.pi * hz * between))[20:-20].max() < 2e-3


@pytest.mark.parametrize("hz", [4100.0, 5400.0, 9000.0, 20_000.0])
def test_aliases_are_suppressed(hz):
    assert np.abs(decimate(tone(hz), FACTOR))[20:-20].max() < 2e-4  # -74 dB


@pytest.mark.parametrize("n", [0, 1, 7, 8, 9, 1000])
def test_one_sample_in_eight_is_kept(n):
    assert len(decimate(np.ones(n, np.float32), FACTOR)) == -(-n // FACTOR)
    assert np.array_equal(decimate(np.ones(n, np.float32), 1), np.ones(n, np.float32))
