"""Which strokes of a take are of one drum, and their arrivals at the microphones, pooled."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.audio.arrival import Arrival, measure_arrivals

SAME_DRUM_DB = 8.0  # between strokes of one drum, of the level at a microphone over the mean


def pool_arrivals(beginnings: Sequence[np.ndarray], *, sr: int) -> list[tuple[Arrival, ...]]:
    """Return the arrival of each stroke at each microphone, pooled over the strokes of one drum.

    Parameters
    ----------
    beginnings : sequence of np.ndarray, shape (n_frames, n_microphones)
        each begins shortly before the onset at the earliest microphone
    sr : int, Hz
    """
    drums = group_by_levels(beginnings)
    pooled = {
        drum: measure_arrivals(
            [part for part, of in zip(beginnings, drums, strict=True) if of == drum], sr=sr
        )
        for drum in set(drums)
    }
    return [pooled[drum] for drum in drums]


def group_by_levels(beginnings: Sequence[np.ndarray]) -> list[int]:
    """Return a number for each stroke, the same for those with like levels at the microphones.

    The levels of one drum keep their differences, whatever the strength of the stroke; another
    drum is nearer to other microphones. The loudest stroke of each group is compared with.

    Parameters
    ----------
    beginnings : sequence of np.ndarray, shape (n_frames, n_microphones)
    """
    power = np.array([np.square(part, dtype=np.float64).mean(axis=0) for part in beginnings])
    level_db = 10 * np.log10(power + 1e-12)
    shape_db = level_db - level_db.mean(axis=1, keepdims=True)
    numbers, firsts = [0] * len(beginnings), list[int]()
    for stroke in np.argsort(-level_db.max(axis=1), kind="stable").tolist():
        off_db = [float(np.abs(shape_db[stroke] - shape_db[first]).max()) for first in firsts]
        if not off_db or min(off_db) > SAME_DRUM_DB:
            firsts.append(stroke)
            off_db.append(0.0)
        numbers[stroke] = int(np.argmin(off_db))
    return numbers
