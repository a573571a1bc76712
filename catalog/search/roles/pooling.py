"""Join the role probabilities of hits that are strokes of one drum or of one take."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from catalog.search.roles.classification import softmax

OWN_WEIGHT = 0.5  # of a stroke's own probabilities, beside those of its drum
SHARPNESS = 1.5  # power of the geometric mean of a drum: its strokes are partly independent
LEAST_CHANCE = 1e-3  # one stroke does not rule a role out for the whole drum
MIN_STROKES = 4  # of a take; fewer give no majority
MAJORITY = 2.0 / 3.0  # share of the strokes of a take that settles the others
SURE = 0.8  # a stroke whose own role is this likely is not overruled by its take


def pool_drums(chances: np.ndarray, groups: Sequence[np.ndarray], known: np.ndarray) -> np.ndarray:
    """Return the probabilities of each hit, joined with those of its drum.

    A hit of a drum gets the weighted mean of its own probabilities, the sharpened geometric mean of
    all strokes of the drum, and the known roles of the drum, if there are any. One role for all
    strokes would be wrong: open and closed strokes of a hat may share a name.

    Parameters
    ----------
    chances : np.ndarray, shape (n, n_roles)
    groups : sequence of np.ndarray of int, rows of each drum
    known : np.ndarray, int, shape (n,), known role; -1 if it is not known
    """
    result, n_roles = chances.copy(), chances.shape[1]
    for rows in groups:
        own = chances[rows]
        joined = softmax(SHARPNESS * np.log(np.maximum(own, LEAST_CHANCE)).mean(axis=0)[None])
        total = OWN_WEIGHT * own + joined
        roles = known[rows][known[rows] >= 0]
        if len(roles):
            total = total + np.bincount(roles, minlength=n_roles) / len(roles)
        result[rows] = total / total.sum(axis=1, keepdims=True)
    return result


def settle_takes(chances: np.ndarray, groups: Sequence[np.ndarray]) -> np.ndarray:
    """Return the probabilities where unsure strokes of a take of one drum follow its majority.

    Parameters
    ----------
    chances : np.ndarray, shape (n, n_roles)
    groups : sequence of np.ndarray of int, rows of each take
    """
    result = chances.copy()
    for rows in groups:
        best = chances[rows].argmax(axis=1)
        counts = np.bincount(best, minlength=chances.shape[1])
        role = int(counts.argmax())
        mean = chances[rows].mean(axis=0)
        is_settled = len(rows) >= MIN_STROKES and counts[role] >= MAJORITY * len(rows)
        if is_settled and mean.argmax() == role:
            unsure = rows[(best != role) & (chances[rows].max(axis=1) < SURE)]
            result[unsure] = mean
    return result
