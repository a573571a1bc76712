"""Group inputs of equal size, so that numpy processes many of them in one call."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from typing import TypeVar

import numpy as np

Key = TypeVar("Key", bound=Hashable)


def group_indices(keys: Iterable[Key], max_size: int) -> Iterator[tuple[Key, list[int]]]:
    """Group the indices of equal keys into batches.

    Parameters
    ----------
    max_size : int, above 0, indices per batch

    Yields
    ------
    (key, list of int), each index once, in order within a key
    """
    indices: dict[Key, list[int]] = {}
    for index, key in enumerate(keys):
        indices.setdefault(key, []).append(index)
    for key, members in indices.items():
        for start in range(0, len(members), max_size):
            yield key, members[start : start + max_size]


def stack_padded(signals: Sequence[np.ndarray], n: int) -> np.ndarray:
    """Stack signals as rows, cut or zero-padded to `n`; float32, shape (n_signals, n)."""
    rows = np.zeros((len(signals), n), np.float32)
    for row, signal in zip(rows, signals, strict=True):
        row[: len(signal)] = signal[:n]
    return rows
