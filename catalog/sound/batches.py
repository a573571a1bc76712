"""Work of one kind done together: a transform of many rows takes a fraction of many of one."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from typing import TypeVar

import numpy as np

Kind = TypeVar("Kind", bound=Hashable)


def batches(kinds: Iterable[Kind], most: int) -> Iterator[tuple[Kind, list[int]]]:
    """Gather the places of equal kinds, `most` at once at the most.

    Parameters
    ----------
    kinds : iterable of hashable
    most : int, above 0

    Yields
    ------
    (kind, list of int), each place once, those of a kind in order
    """
    places: dict[Kind, list[int]] = {}
    for place, kind in enumerate(kinds):
        places.setdefault(kind, []).append(place)
    for kind, found in places.items():
        for at in range(0, len(found), most):
            yield kind, found[at : at + most]


def rows_of(sounds: Sequence[np.ndarray], n: int) -> np.ndarray:
    """Lay sounds one below the other, filled up with zeros; float32, shape (n_sounds, n)."""
    rows = np.zeros((len(sounds), n), np.float32)
    for row, sound in zip(rows, sounds, strict=True):
        row[: len(sound)] = sound[:n]
    return rows
