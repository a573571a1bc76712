"""Gradient-boosted trees that score a pair's features, with the limits that make it a verdict.

`catalog.training` fits them on edited recordings and on real strokes; prediction needs numpy only.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np

from catalog.models import Verdict

CLASSIFIER_FILE = Path(__file__).with_name("classifier.npz")
CLASSIFIER_VERSION = 6  # raise when verdicts change, so that stored ones are computed again


@dataclass(frozen=True, eq=False)
class BoostedTrees:
    """Binary decision trees whose leaf values add up to a logit.

    All arrays have shape (n_trees, n_nodes); node 0 is the root.
    """

    feature: np.ndarray  # int, column that a node tests, -1 for a leaf
    threshold: np.ndarray  # float, values up to it go left
    left: np.ndarray  # int, child node
    right: np.ndarray  # int, child node
    missing_left: np.ndarray  # bool, whether NaN goes left
    value: np.ndarray  # float, of a leaf
    baseline: float  # logit before any tree

    def logit(self, rows: np.ndarray) -> np.ndarray:
        """Return the sum of all trees for each row.

        Parameters
        ----------
        rows : np.ndarray, shape (n, n_features), NaN where a feature is missing

        Returns
        -------
        np.ndarray, float64, shape (n,)
        """
        rows = np.asarray(rows, np.float64)
        features, thresholds, missing_left, children, leaf_values = self._flat
        n_trees, n_nodes = self.feature.shape
        node = np.tile(np.arange(0, n_trees * n_nodes, n_nodes), len(rows))
        row_start = np.repeat(np.arange(0, rows.size, max(rows.shape[1], 1)), n_trees)
        values = rows.ravel()
        feature = features[node]
        while (feature >= 0).any():
            value = values[row_start + np.maximum(feature, 0)]
            goes_left = (value <= thresholds[node]) | (np.isnan(value) & missing_left[node])
            node = children[2 * node + goes_left]
            feature = features[node]
        per_tree = leaf_values[node].reshape(len(rows), n_trees)
        return np.asarray(per_tree.sum(axis=1) + self.baseline)

    @cached_property
    def _flat(self) -> tuple[np.ndarray, ...]:
        """Feature, threshold, missing_left, children and value of all trees in one row each.

        The children of node `i` are at `2 i` (right) and `2 i + 1` (left); a leaf is its own child.
        """
        n_trees, n_nodes = self.feature.shape
        node = np.arange(n_trees * n_nodes).reshape(n_trees, n_nodes)
        is_leaf, root = self.feature < 0, node[:, :1]
        children = [np.where(is_leaf, node, root + side) for side in (self.right, self.left)]
        arrays = (
            self.feature, self.threshold, self.missing_left, np.stack(children, axis=-1), self.value
        )  # fmt: skip
        return tuple(np.ascontiguousarray(array).ravel() for array in arrays)


@dataclass(frozen=True, eq=False)
class Classifier:
    """Trees and the logits from which a pair is a copy, and from which it may be one."""

    trees: BoostedTrees
    copy_logit: float  # lowest logit of `Verdict.COPY`
    unsure_logit: float  # lowest logit of `Verdict.UNSURE`

    def verdict(self, logit: float) -> Verdict:
        """Return the verdict that a logit stands for."""
        if logit >= self.copy_logit:
            return Verdict.COPY
        return Verdict.UNSURE if logit >= self.unsure_logit else Verdict.OTHER

    def save(self, path: Path) -> None:
        """Write all arrays to an npz file that needs no unpickling."""
        arrays = {f.name: np.asarray(getattr(self.trees, f.name)) for f in fields(BoostedTrees)}
        limits = {"copy_logit": self.copy_logit, "unsure_logit": self.unsure_logit}
        np.savez_compressed(path, allow_pickle=False, **arrays, **limits)

    @classmethod
    def load(cls, path: Path) -> Classifier:
        """Read what `save` wrote."""
        with np.load(path, allow_pickle=False) as file:
            arrays = {f.name: file[f.name] for f in fields(BoostedTrees)}
            limits = float(file["copy_logit"]), float(file["unsure_logit"])
        return cls(BoostedTrees(**{**arrays, "baseline": float(arrays["baseline"])}), *limits)


@lru_cache(maxsize=1)
def load_classifier() -> Classifier:
    """Load the classifier that is shipped with the package."""
    return Classifier.load(CLASSIFIER_FILE)
