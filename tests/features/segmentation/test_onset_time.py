"""The time of an onset, in quiet and over a ring; the onsets are known by construction."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.segmentation.onset_time import refine_onset
from tests.signals import SR, decaying_noise

IN_QUIET_S, OVER_RING_S = 0.0005, 0.002


def burst_after(before: np.ndarray, amplitude: float) -> tuple[np.ndarray, int]:
    """Return a wave with a burst of noise after `before`, and its first frame."""
    mono = np.concatenate([before, np.zeros(SR // 4)])
    burst = amplitude * decaying_noise(0.5, seed=4, length_s=0.25, amplitude=1.0)
    mono[len(before) :][: len(burst)] += burst
    return mono.astype(np.float32), len(before)


@pytest.mark.parametrize("off_s", [-0.005, 0.0, 0.005])
def test_an_onset_in_quiet_is_its_first_loud_frame(off_s):
    mono, onset = burst_after(np.zeros(SR // 2), 0.5)
    found = refine_onset(mono, onset + round(off_s * SR), sr=SR)
    assert abs(found - onset) <= IN_QUIET_S * SR


@pytest.mark.parametrize("off_s", [-0.008, 0.0, 0.012])
def test_an_onset_over_a_low_ring_is_where_the_high_bands_rise(off_s):
    ring = 0.5 * np.sin(2 * np.pi * 120 * np.arange(SR) / SR)
    mono, onset = burst_after(ring[: SR // 2], 0.1)
    mono[SR // 2 :] += ring[SR // 2 :][: len(mono) - SR // 2].astype(np.float32)
    found = refine_onset(mono, onset + round(off_s * SR), sr=SR)
    assert abs(found - onset) <= OVER_RING_S * SR


def test_a_rise_at_the_edge_of_the_file_stays_within_it():
    mono = decaying_noise(1.0, seed=5, length_s=0.02)
    assert 0 <= refine_onset(mono, 0, sr=SR) < len(mono)
    assert 0 <= refine_onset(mono, len(mono) - 1, sr=SR) < len(mono)
