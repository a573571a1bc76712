"""Boosted trees as plain arrays: what the judge of copies is shipped as, and how it is asked."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path

import numpy as np


@dataclass(frozen=True, eq=False)
class Trees:
    """Trees whose leaves add up to a logit; all arrays but `start` of shape (n_trees, n_nodes).

    Attributes
    ----------
    column : np.ndarray, int, the number that a node asks for, -1 in a leaf
    limit : np.ndarray, float, numbers up to it go left
    left, right : np.ndarray, int, the node that comes next
    lost_left : np.ndarray, bool, whether a number that is not there goes left
    value : np.ndarray, float, of a leaf
    start : float, the logit before any tree
    """

    column: np.ndarray
    limit: np.ndarray
    left: np.ndarray
    right: np.ndarray
    lost_left: np.ndarray
    value: np.ndarray
    start: float

    def logit(self, rows: np.ndarray) -> np.ndarray:
        """Add up the trees.

        Parameters
        ----------
        rows : np.ndarray, shape (n, n_columns), NaN where a number is not there

        Returns
        -------
        np.ndarray, float64, shape (n,)
        """
        rows = np.asarray(rows, np.float64)
        column, limit, lost_left, below, value = self._flat
        n_trees, n_nodes = self.column.shape
        at = np.tile(np.arange(0, n_trees * n_nodes, n_nodes), len(rows))
        item = np.repeat(np.arange(0, rows.size, max(rows.shape[1], 1)), n_trees)
        numbers = rows.ravel()
        asked = column[at]
        while (asked >= 0).any():
            number = numbers[item + np.maximum(asked, 0)]
            goes_left = (number <= limit[at]) | (np.isnan(number) & lost_left[at])
            at = below[2 * at + goes_left]
            asked = column[at]
        return np.asarray(value[at].reshape(len(rows), n_trees).sum(axis=1) + self.start)

    @cached_property
    def _flat(self) -> tuple[np.ndarray, ...]:
        """All trees one after the other: column, limit, lost_left, what is below, value.

        Below node `i` lie those at `2 i` (right) and `2 i + 1` (left); a leaf lies below itself.
        """
        n_trees, n_nodes = self.column.shape
        node = np.arange(n_trees * n_nodes).reshape(n_trees, n_nodes)
        is_leaf, start = self.column < 0, node[:, :1]
        below = [np.where(is_leaf, node, start + side) for side in (self.right, self.left)]
        kept = (self.column, self.limit, self.lost_left, np.stack(below, axis=-1), self.value)
        return tuple(np.ascontiguousarray(array).ravel() for array in kept)

    def save(self, path: Path, **beside: np.ndarray) -> None:
        """Write the arrays, and others beside them, with nothing that needs unpickling."""
        arrays = {f.name: np.asarray(getattr(self, f.name)) for f in fields(self)}
        np.savez_compressed(path, allow_pickle=False, **arrays, **beside)

    @classmethod
    def load(cls, path: Path) -> Trees:
        """Read what `save` wrote."""
        with np.load(path, allow_pickle=False) as file:
            arrays = {f.name: file[f.name] for f in fields(cls)}
        return cls(**{**arrays, "start": float(arrays["start"])})
