"""Verdicts on edits of an invented stroke, and on other strokes of the same drum."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.matching.pair_features import TransferFits
from catalog.matching.verdict import classify_features, classify_pair
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
