"""Make rises likelier that lie on the grid of a performance.

The strokes of a performance that are certain show its grid. Other rises lie on it by chance.
"""

from __future__ import annotations

import numpy as np

from catalog.features.segmentation.grid import ON_GRID, find_unit, is_on_grid

CERTAIN = 0.9  # likelihood of a stroke that shows the grid
LEAST_CERTAIN = 8  # fewer may follow each other evenly by chance
FLAM_S = 0.050  # closer ones count once
OFF_UNITS, MOST_OFF_S = 0.15, 0.020  # of a rise from the grid
# A place on the grid holds a stroke more often than not; few strokes lie elsewhere.
ON_LOGIT, OFF_LOGIT = 4.0, 1.0


def favor_grid(likelihoods: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Return the likelihoods of rises, higher for uncertain ones on the grid and lower off it.

    The certain rises show the grid. `likelihoods` and the result have shape (n,), and so have the
    times of the rises `at_s`, which are in order.
    """
    certain_s = at_s[likelihoods >= CERTAIN]
    certain_s = certain_s[np.diff(certain_s, prepend=-np.inf) > FLAM_S]
    if len(certain_s) < LEAST_CERTAIN:
        return likelihoods
    unit_s, share = find_unit(certain_s)
    if share < ON_GRID:
        return likelihoods
    off_s = min(OFF_UNITS * unit_s, MOST_OFF_S)
    is_on = is_on_grid(at_s, certain_s, unit_s, off_s=off_s)
    p = np.clip(likelihoods.astype(np.float64), 1e-9, 1 - 1e-9)
    changed = 1.0 / (1.0 + np.exp(np.where(is_on, -ON_LOGIT, OFF_LOGIT)) * (1.0 - p) / p)
    return np.where(likelihoods < CERTAIN, changed, likelihoods)
