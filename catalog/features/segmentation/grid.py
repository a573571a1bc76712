"""Find the even grid on which the strokes of a performance lie."""

from __future__ import annotations

import numpy as np

UNIT_S = (0.075, 0.500)  # of the grid: a sixteenth at 200 bpm, a quarter at 120
N_UNITS = 240
MOST_UNITS = 8  # between two strokes; a longer gap is a pause
OFF_UNITS, MOST_OFF_S = 0.15, 0.030  # of a stroke from the grid; players are within 10 ms
ON_GRID = 0.88  # share of the gaps


def find_unit(onsets_s: np.ndarray) -> tuple[float, float]:
    """Return the longest unit that most gaps are multiples of, in s, and the share of these gaps.

    `onsets_s` has shape (n,) and is in order.
    """
    units = np.geomspace(*UNIT_S, N_UNITS)[:, None]
    gaps = np.diff(onsets_s)
    n = np.round(gaps / units)
    off = np.abs(gaps - n * units)
    on_grid = (n >= 1) & (n <= MOST_UNITS) & (off <= np.minimum(OFF_UNITS * units, MOST_OFF_S))
    shares = on_grid.mean(axis=1)
    best = float(shares.max())
    at = int(np.flatnonzero(shares >= max(min(best, ON_GRID), best - 0.05))[-1])
    return float(units[at, 0]), float(shares[at])


def is_on_grid(
    at_s: np.ndarray, onsets_s: np.ndarray, unit_s: float, *, off_s: float
) -> np.ndarray:
    """Return whether times lie whole units before or after the nearest of the onsets, shape (n,).

    Times within `off_s` of an onset itself do not.
    """
    following = np.searchsorted(onsets_s, at_s)
    found = np.zeros(len(at_s), bool)
    for index in (following - 1, following):
        exists = (index >= 0) & (index < len(onsets_s))
        gaps = np.abs(at_s - onsets_s[np.clip(index, 0, len(onsets_s) - 1)])
        n = np.round(gaps / unit_s)
        is_near = np.abs(gaps - n * unit_s) <= off_s
        found |= exists & is_near & (n >= 1) & (n <= MOST_UNITS)
    return found
