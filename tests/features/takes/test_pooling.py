"""Strokes are pooled by drum: by their levels at the microphones."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.features.takes.pooling import group_by_levels, pool_arrivals
from tests.signals import drum_stroke

SR = 16_000
LEVELS = {"kick": (1.0, 0.1, 0.4), "snare": (0.1, 1.0, 0.45)}
DELAYS = {"kick": (0, 30, 60), "snare": (30, 0, 50)}  # frames


def stroke(drum: str, *, gain: float, seed: int, tilt: float = 1.0) -> np.ndarray:
    """Return a stroke at three microphones; `tilt` changes the level at the last of them."""
    mono = gain * drum_stroke(150, seed=seed, sr=SR)
    part = np.random.default_rng(seed).normal(scale=1e-5, size=(len(mono) + 100, 3))
    for channel, (level, delay) in enumerate(zip(LEVELS[drum], DELAYS[drum], strict=True)):
        part[delay : delay + len(mono), channel] += level * mono * (tilt if channel == 2 else 1.0)
    return part


def take(order: str) -> list[np.ndarray]:
    drums = {"k": "kick", "s": "snare"}
    return [stroke(drums[c], gain=0.2 + 0.1 * n, seed=n) for n, c in enumerate(order)]


def test_strokes_of_two_drums_are_two_groups_whatever_their_strength():
    numbers = group_by_levels(take("kskks"))
    assert numbers[0] == numbers[2] == numbers[3] != numbers[1] == numbers[4]


@pytest.mark.parametrize("tilt", [0.8, 2.4, 2.6])  # 2.5 makes the third microphone the loudest
def test_a_stroke_that_is_loudest_elsewhere_stays_with_its_drum(tilt):
    parts = [*take("kkkk"), stroke("kick", gain=0.5, seed=9, tilt=tilt)]
    assert len(set(group_by_levels(parts))) == 1
    arrivals = pool_arrivals(parts, sr=SR)
    assert {a.delay_samples for a in (row[2] for row in arrivals)} == {60.0}


def test_each_drum_has_its_own_delays():
    arrivals = pool_arrivals(take("kskks"), sr=SR)
    assert [[a.delay_samples for a in row] for row in arrivals[:2]] == [[0, 30, 60], [30, 0, 50]]


def test_no_stroke_gives_no_group():
    assert group_by_levels([stroke("kick", gain=0.5, seed=1)]) == [0]
