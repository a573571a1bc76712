"""Very short recordings: found after gain, offset, silence and resampling."""

from __future__ import annotations

import numpy as np

from catalog.matching.exact import is_exact_copy
from catalog.matching.verdict import classify_pair
from catalog.models import Verdict
from tests.matching.hits import STROKE, views

SIX = np.array([0.0, 0.4, -0.3, 0.2, 0.1, -0.05])


def test_six_samples_are_found_after_a_lossless_edit():
    for edited in (-0.1 * SIX, SIX + 0.002, np.concatenate([np.zeros(4800), SIX])):
        assert is_exact_copy(views(SIX), views(edited))
        assert classify_pair(views(SIX), views(edited)).verdict == Verdict.COPY


def test_six_other_samples_are_no_copy():
    other = views(np.array([0.0, 0.4, 0.3, -0.2, 0.1, 0.05]))
    assert not is_exact_copy(views(SIX), other)
    assert classify_pair(views(SIX), other).verdict != Verdict.COPY


def test_long_hits_are_left_to_the_cells():
    assert not is_exact_copy(views(STROKE), views(STROKE))
