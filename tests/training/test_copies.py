"""Fitted trees as plain arrays, and the limit that a share of logits reaches."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

from catalog.training.copies import as_trees, limit_reached_by


def test_trees_as_arrays_predict_as_the_library_does():
    # against scikit-learn's own prediction
    rng = np.random.default_rng(3)
    rows = rng.normal(size=(400, 5))
    rows[rng.random(rows.shape) < 0.1] = np.nan
    labels = np.nan_to_num(rows[:, 0]) + np.nan_to_num(rows[:, 2]) ** 2 > 0.7
    model = HistGradientBoostingClassifier(max_iter=30, max_leaf_nodes=8).fit(rows, labels)
    assert as_trees(model).logit(rows) == pytest.approx(model.decision_function(rows), abs=1e-6)


@pytest.mark.parametrize(("share", "n_reaching"), [(0.0, 0), (0.3, 1), (0.5, 1), (0.75, 3)])
def test_at_most_the_share_reaches_the_limit_even_with_equal_values(share, n_reaching):
    logits = np.array([5.0, 1.0, 4.0, 4.0])
    assert (logits >= limit_reached_by(logits, share)).sum() == n_reaching
