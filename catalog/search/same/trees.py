"""Boosted trees as plain arrays: what the judge of copies is shipped as, and how it is asked."""

from __future__ import annotations

from dataclasses import dataclass, fields
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
        at = np.zeros((len(rows), len(self.column)), int)
        trees = np.arange(len(self.column))
        item = np.arange(len(rows))[:, None]
        while True:
            column = self.column[trees, at]
            inner = column >= 0
            if not inner.any():
                break
            number = rows[item, np.maximum(column, 0)]
            lost = np.isnan(number)
            goes_left = np.where(lost, self.lost_left[trees, at], number <= self.limit[trees, at])
            step = np.where(goes_left, self.left[trees, at], self.right[trees, at])
            at = np.where(inner, step, at)
        return np.asarray(self.value[trees, at].sum(axis=1) + self.start)

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
