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
from tests.bench.ringing import draw_body
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


@pytest.mark.parametrize("seed", [1012, 1042])  # before the remainder counted, both were copies
def test_two_strokes_of_a_glass_are_no_copies_but_its_edited_copies_are(seed):
    rng = np.random.default_rng(seed)
    glass = draw_body(rng)
    first, second = glass.strike(rng), glass.strike(rng)
    fits = TransferFits(*best_pair(prepare_views(first), prepare_views(second)))
    assert classify_features(fits.features()).logit >= load_classifier().copy_logit
    assert classify_pair(prepare_views(first), prepare_views(second)).verdict == Verdict.UNSURE
    for name in ("MP3", "limited by 6 dB", "faded", "noise at -50 dB"):
        (edit,) = (edit for edit in EDITS if edit.name == name)
        copy = apply_edits(first, (edit,), rng=rng)
        assert classify_pair(prepare_views(first), prepare_views(copy)).verdict == Verdict.COPY, (
            name
        )


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
