"""How far names can be trusted: how well those of a folder fit its sounds, and which do not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from catalog.models import ROLES, Role
from catalog.search.roles.known import KnownHits

DOUBTED_NAMES = "doubted_names"  # setting: the `NameDoubt` of each hit, as lists
CLEAR = 0.9  # probability from which a sound, without its own name, is compared with the name
DOUBTED = 0.85  # probability of another role from which a name is listed
LEAST = 0.05  # probability of the named role below which it is listed
PRIOR_NAMES = 20.0  # names that a folder is given in advance, all of which fit


class NameDoubt(NamedTuple):
    """A hit whose name contradicts its sound."""

    hit_id: int
    named: str
    heard: str  # the role of its sound, of the known hits near it
    share: float  # probability of that role
    n_fitting: int  # names of clear sounds in the folder that fit them
    n_clear: int  # hits of the folder with a name and a clear sound


def folder_reliability(known: KnownHits, chances: np.ndarray) -> dict[str, float]:
    """Return the share of right names of each folder where some names do not fit clear sounds.

    Parameters
    ----------
    known : KnownHits
    chances : np.ndarray, shape (n, n_roles), without the effect of each hit's own name
    """
    counts = _count_fitting(known, chances)
    return {
        folder: (PRIOR_NAMES + n_fitting) / (PRIOR_NAMES + n_clear)
        for folder, (n_fitting, n_clear) in counts.items()
        if n_fitting < n_clear
    }


def find_doubts(known: KnownHits, chances: np.ndarray) -> list[NameDoubt]:
    """Return the hits whose names contradict their sounds, the clearest first; see above."""
    counts = _count_fitting(known, chances)
    best = chances.argmax(axis=1)
    own = chances[np.arange(len(chances)), known.roles]
    doubted = _is_compared(known) & (chances.max(axis=1) >= DOUBTED) & (own <= LEAST)
    found = [
        NameDoubt(
            int(known.ids[row]),
            ROLES[known.roles[row]],
            ROLES[best[row]],
            round(float(chances[row, best[row]]), 3),
            *counts.get(known.folders[row], (0, 0)),
        )
        for row in np.flatnonzero(doubted)
    ]
    return sorted(found, key=lambda doubt: (-doubt.share, doubt.hit_id))


def _is_compared(known: KnownHits) -> np.ndarray:
    """Return which hits have a name to compare; role "other" has no sound of its own."""
    return np.asarray(known.is_named & (known.roles != ROLES.index(Role.OTHER)))


def _count_fitting(known: KnownHits, chances: np.ndarray) -> Mapping[str, tuple[int, int]]:
    """Return by folder how many names fit clear sounds, and how many there are."""
    clear = np.flatnonzero(_is_compared(known) & (chances.max(axis=1) >= CLEAR))
    fits = chances[clear].argmax(axis=1) == known.roles[clear]
    counts: dict[str, tuple[int, int]] = {}
    for row, is_right in zip(clear, fits, strict=True):
        n_fitting, n_clear = counts.get(known.folders[row], (0, 0))
        counts[known.folders[row]] = n_fitting + int(is_right), n_clear + 1
    return counts
