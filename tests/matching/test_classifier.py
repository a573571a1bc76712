"""The shipped trees: monotonic in the agreement, and stored without loss."""

from __future__ import annotations

import numpy as np

from catalog.matching.classifier import Classifier, load_classifier
from catalog.matching.pair_features import FEATURE_NAMES
from catalog.models import Verdict


def test_better_agreement_never_lowers_the_logit():
    trees = load_classifier().trees
    rng = np.random.default_rng(0)
    rows = rng.uniform(0, 40, (200, len(FEATURE_NAMES)))
    better = rows.copy()
    better[:, FEATURE_NAMES.index("mean_db")] += rng.uniform(0, 5, 200)
    assert (trees.logit(better) >= trees.logit(rows) - 1e-9).all()


def test_verdicts_follow_the_limits():
    classifier = load_classifier()
    assert classifier.unsure_logit < classifier.copy_logit
    below = np.nextafter([classifier.copy_logit, classifier.unsure_logit], -np.inf)
    assert classifier.verdict(classifier.copy_logit) == Verdict.COPY
    assert [classifier.verdict(logit) for logit in below] == [Verdict.UNSURE, Verdict.OTHER]


def test_a_saved_classifier_is_loaded_equal(tmp_path):
    classifier = load_classifier()
    classifier.save(tmp_path / "x.npz")
    loaded = Classifier.load(tmp_path / "x.npz")
    rows = np.random.default_rng(1).uniform(0, 40, (50, len(FEATURE_NAMES)))
    rows[rows > 35] = np.nan
    assert np.array_equal(loaded.trees.logit(rows), classifier.trees.logit(rows))
    assert (loaded.copy_logit, loaded.unsure_logit) == (
        classifier.copy_logit,
        classifier.unsure_logit,
    )
