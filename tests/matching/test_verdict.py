"""Verdicts on edits and on other strokes; the shipped trees are monotonic and stored exactly."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.matching.comparison.pair_features import FEATURE_NAMES, TransferFits
from catalog.matching.verdict import (
    classify_features,
    classify_pair,
    load_classifier,
)
from catalog.matching.views import prepare_views
from catalog.models import Verdict
from catalog.training.edits import apply_edits
from tests.matching.hits import STROKE, as_audio, best_pair, usable_edits, views
from tests.signals import drum_stroke

AUDIO = as_audio(STROKE)
EDITS = usable_edits(AUDIO)


@pytest.mark.parametrize("edit", EDITS, ids=lambda edit: edit.name)
def test_an_edited_copy_is_found_in_both_directions(edit):
    first = prepare_views(AUDIO)
    second = prepare_views(apply_edits(AUDIO, (edit,), rng=np.random.default_rng(1)))
    assert classify_pair(first, second).verdict == Verdict.COPY
    assert classify_pair(second, first).verdict == Verdict.COPY


def test_a_copy_by_the_linear_fit_is_one_by_all_fits():
    first, n_linear = prepare_views(AUDIO), 0
    for edit in EDITS:
        edited = prepare_views(apply_edits(AUDIO, (edit,), rng=np.random.default_rng(1)))
        fits = TransferFits(*best_pair(first, edited))
        if classify_features(fits.features(1)).verdict == Verdict.COPY:
            assert classify_features(fits.features()).verdict == Verdict.COPY, edit.name
            n_linear += 1
    assert n_linear > len(EDITS) // 2  # otherwise the loop proves little


@pytest.mark.parametrize("seed", range(6, 16))
def test_another_stroke_of_the_same_drum_is_no_copy(seed):
    other = views(drum_stroke(130, seed=seed))
    assert classify_pair(views(STROKE), other).verdict != Verdict.COPY


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
    loaded = load_classifier(tmp_path / "x.npz")
    rows = np.random.default_rng(1).uniform(0, 40, (50, len(FEATURE_NAMES)))
    rows[rows > 35] = np.nan
    assert np.array_equal(loaded.trees.logit(rows), classifier.trees.logit(rows))
    for name in ("copy_logit", "unsure_logit"):
        assert getattr(loaded, name) == getattr(classifier, name)
