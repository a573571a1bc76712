"""Recognize a dropped stick: it bounces with gaps and levels that shrink by one factor.

A body that falls on a hard surface and leaves it with a share e of its speed is in the air for
2 v / g, so that each gap is e times the gap before it, and each impact softer.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

BLOCK_S = 0.0025
NEAR_BLOCKS = 4  # 10 ms on both sides of an impact, where none is stronger
BEFORE_BLOCKS = 10  # 25 ms before it, where the level was lower
RISE_DB, CLEAR_DB = 6.0, 9.0  # of each impact, and of the median one of a series
UNDER_LOUDEST_DB, OVER_FLOOR_DB = -45.0, 10.0
FLOOR_PERCENT = 10.0
FIRST_GAP_S = (0.070, 0.450)  # a flam is shorter; a stick that fell from 1 m bounces up 25 cm
RATIO = (0.50, 0.92)  # of a gap to the one before it; wood on wood or metal
OFF_SHARE, OFF_S = 0.12, 0.004  # of a gap from the one that the ratio predicts, and one block more
MOST_IMPACTS = 40  # in a hit; a stick bounces less often, even with reflections
LAST_GAP_S = 0.040  # shorter gaps are hidden by reflections in the room
LEAST_BOUNCES, LEAST_SHARE = 4, 0.75  # impacts, and the share of the predicted ones
LOUDER_DB, SOFTER_DB = 4.0, 4.0  # most rise of one impact over the last one, least fall of all


class Impact(NamedTuple):
    """One impact: its block of `BLOCK_S`, its level in dB, and how far it rose above the last."""

    block: int
    level_db: float
    rise_db: float


def find_bounces(mono: np.ndarray, *, sr: int) -> list[tuple[int, int]]:
    """Return first and last frame (onsets) of each series of bounces, in order."""
    impacts = find_impacts(mono, sr=sr)
    if len(impacts) > MOST_IMPACTS:
        return []
    block = max(4, round(BLOCK_S * sr))
    found, at = [], 0
    while at + LEAST_BOUNCES <= len(impacts):
        last = _find_series(impacts, at)
        if last is not None:
            found.append((impacts[at].block * block, impacts[last].block * block))
        at = at + 1 if last is None else last + 1
    return found


def find_impacts(mono: np.ndarray, *, sr: int) -> list[Impact]:
    """Return sudden rises of the high frequencies, which follow each other by 10 ms or more."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    block = max(4, round(BLOCK_S * sr))
    high = np.diff(mono, 2)  # rises by 12 dB in each octave
    n = len(high) // block
    if n <= BEFORE_BLOCKS:
        return []
    parts = high[: n * block].reshape(n, block)
    level = 10.0 * np.log10(np.einsum("ij,ij->i", parts, parts) + 1e-14)
    before = np.full(n, np.inf)
    shifted = minimum_filter1d(level, BEFORE_BLOCKS, origin=(BEFORE_BLOCKS - 1) // 2)
    before[1:] = shifted[:-1]
    before[0] = -np.inf
    lowest = max(
        level.max() + UNDER_LOUDEST_DB, np.percentile(level, FLOOR_PERCENT) + OVER_FLOOR_DB
    )
    is_impact = (level >= maximum_filter1d(level, 2 * NEAR_BLOCKS + 1)) & (level > lowest)
    is_impact &= level > before + RISE_DB
    rise = level - before
    return [Impact(int(i), float(level[i]), float(rise[i])) for i in np.flatnonzero(is_impact)]


def _find_series(impacts: list[Impact], first: int) -> int | None:
    """Return the last impact of the bounces that begin with an impact; None if it is none."""
    times_s = np.array([impact.block for impact in impacts]) * BLOCK_S
    levels = np.array([impact.level_db for impact in impacts])
    rises = np.array([impact.rise_db for impact in impacts])
    if rises[first] < CLEAR_DB:
        return None
    near = np.flatnonzero(times_s <= times_s[first] + FIRST_GAP_S[1])
    best: list[int] = []
    for second in near[(near > first) & (times_s[near] >= times_s[first] + FIRST_GAP_S[0])]:
        gap = times_s[second] - times_s[first]
        thirds = np.flatnonzero(
            (times_s >= times_s[second] + RATIO[0] * gap)
            & (times_s <= times_s[second] + RATIO[1] * gap)
        )
        for third in thirds:
            series = _follow(times_s, [first, int(second), int(third)])
            is_clear = np.median(rises[series]) >= CLEAR_DB if series else False
            if len(series) > len(best) and is_clear and _is_falling(levels, series):
                best = series
    return best[-1] if best else None


def _follow(times_s: np.ndarray, series: list[int]) -> list[int]:
    """Return the impacts that continue the first three with their ratio; [] if too few do."""
    found, at_s = list(series), times_s[series[2]]
    gap = at_s - times_s[series[1]]
    ratio = gap / (times_s[series[1]] - times_s[series[0]])
    n_predicted = 3
    while (gap := gap * ratio) >= LAST_GAP_S:
        n_predicted += 1
        nearest = int(np.argmin(np.abs(times_s - at_s - gap)))
        if abs(times_s[nearest] - at_s - gap) <= OFF_SHARE * gap + OFF_S:
            found.append(nearest)
            gap = float(times_s[nearest] - at_s)
            at_s = times_s[nearest]
        else:
            at_s += gap
    is_series = len(found) >= max(LEAST_BOUNCES, LEAST_SHARE * n_predicted)
    return found if is_series else []


def _is_falling(levels: np.ndarray, series: list[int]) -> bool:
    """Return whether the impacts get softer, and are the loudest ones of their time."""
    own = levels[series]
    if own[-1] > own[0] - SOFTER_DB or np.any(np.diff(own) > LOUDER_DB):
        return False
    between = np.interp(np.arange(series[0], series[-1] + 1), series, own)
    return bool(np.all(levels[series[0] : series[-1] + 1] <= between + LOUDER_DB))
