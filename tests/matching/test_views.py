"""Views of a hit: its mix, its channels where they differ, and its samples if it is very short."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.features.embedding.spectrogram import SR
from catalog.matching.verdict import MIN_SIMILARITY, classify_pair
from catalog.matching.views import (
    fingerprint_similarity,
    fingerprints_of,
    is_exact_copy,
    view_pairs,
)
from catalog.models import Verdict
from tests.matching.hits import STROKE, best_pair, views
from tests.signals import drum_stroke

LEFT, RIGHT = (drum_stroke(130, seed=seed, sr=SR) for seed in (1, 2))
ONE_BYTE = 0.02  # change of a correlation by rounding to 8 bits
SIX = np.array([0.0, 0.4, -0.3, 0.2, 0.1, -0.05])


@given(
    lead=st.integers(0, 3000),
    n=st.integers(2, 3000),
    tail=st.integers(0, 3000),
    offset=st.sampled_from([0.0, 0.02]),
)
@settings(max_examples=60, deadline=None)
def test_samples_are_kept_of_hits_shorter_than_20_ms_only(lead, n, tail, offset):
    stroke = np.random.default_rng(n).uniform(0.2, 1.0, n).astype(np.float32)
    short = views(np.concatenate([np.zeros(lead), stroke, np.zeros(tail)]) + offset, SR)
    n_changing = (lead > 0) + n + (tail > 0)  # from the first change to the last
    if n_changing < 0.02 * SR - 2:
        assert short.short_samples is not None
    if n_changing > 0.02 * SR + 2:
        assert short.short_samples is None


def test_equal_channels_give_no_sides():
    assert len(views(np.stack([LEFT, RIGHT], axis=1), SR).sides) == 2
    assert views(np.stack([LEFT, LEFT], axis=1), SR).sides == ()


def test_mono_is_compared_with_each_side_of_stereo():
    stereo, mono = views(np.stack([LEFT, RIGHT], axis=1), SR), views(RIGHT, SR)
    assert best_pair(stereo, mono).coherence.score_db > 35.0
    assert [len(sides) for sides in fingerprints_of([stereo, mono])] == [3, 1]
    similarity = fingerprint_similarity([(stereo, mono), (mono, stereo)])
    assert similarity == pytest.approx([1.0, 1.0], abs=ONE_BYTE)


def test_clicks_are_similar_to_their_copies():
    click = np.zeros(SR)
    click[100:106] = SIX
    copies = [-0.1 * click, click + 0.002, np.concatenate([np.zeros(4800), click])]
    pairs = [(views(click, SR), views(copy, SR)) for copy in copies]
    assert fingerprint_similarity(pairs).min() > MIN_SIMILARITY


def test_the_similarity_of_short_hits_counts_double():
    click = np.pad(SIX, (0, 294))
    first, copy = views(click, SR), views(-click, SR)
    assert not fingerprints_of([first])[0].is_long.any()
    assert fingerprint_similarity([(first, copy)]) == pytest.approx([2.0], abs=2 * ONE_BYTE)


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


def test_mixes_are_compared_and_sides_only_with_a_mono_hit():
    assert view_pairs(1, 1) == view_pairs(3, 3) == [(0, 0)]
    assert view_pairs(1, 3) == [(0, 0), (0, 1), (0, 2)]
    assert view_pairs(3, 1) == [(0, 0), (1, 0), (2, 0)]
