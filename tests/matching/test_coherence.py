"""One recording or two: edits leave almost nothing behind, another stroke leaves most of itself."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.fft import next_fast_len

from catalog.audio.model import Audio
from catalog.audio.resample import resample
from catalog.features import spectrogram as p
from catalog.matching.align import find_lags
from catalog.matching.coherence import MIN_CELLS, Agreement, _likeliest, _tries, compare_hits
from catalog.matching.prepare import LAG_FFT, Prepared, prepare_hit
from catalog.matching.segments import quick_length
from catalog.matching.views import prepare_recording
from tests.signals import SR, as_frames, drum_stroke


def prepared(samples: np.ndarray, sr: int = SR, subtype: str = "FLOAT"):
    return prepare_hit(Audio(as_frames(samples.astype(np.float32)), sr, "WAV", subtype))


def compared(first: Prepared, second: Prepared) -> Agreement:
    return compare_hits([(first, second)])[0]


FEW_CELLS_DB = 20.0
COPY_DB = 15.0  # edits of no drive or filter stay above it before any fit
STROKE = drum_stroke(130, seed=5)
EDITS = {
    "gain": (STROKE * 0.05, SR, "FLOAT"),
    "polarity": (-STROKE, SR, "FLOAT"),
    "offset": (STROKE + 0.01, SR, "FLOAT"),
    "silence before": (np.concatenate([np.zeros(3000), STROKE]), SR, "FLOAT"),
    "16 bits": (np.rint(STROKE * 0.3 * 32768) / 32768, SR, "PCM_16"),
    "44.1 kHz": (resample(STROKE, sr=SR, to_sr=44_100), 44_100, "FLOAT"),
    "96 kHz": (resample(STROKE, sr=SR, to_sr=96_000), 96_000, "FLOAT"),
    "start trimmed by 3 ms": (STROKE[round(0.013 * SR) :], SR, "FLOAT"),
    "tail cut": (STROKE[: len(STROKE) // 3], SR, "FLOAT"),
    "tail faded": (STROKE * np.linspace(1, 0, len(STROKE)), SR, "FLOAT"),
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_copy_is_the_same_recording_both_ways(name):
    edited = prepared(*EDITS[name])
    original = prepared(STROKE)
    for agreement in compare_hits([(original, edited), (edited, original)]):
        assert agreement.score_db >= (COPY_DB if agreement.n_cells >= MIN_CELLS else FEW_CELLS_DB)
        assert agreement.peak > 0.3


@pytest.mark.parametrize("seed", range(6, 16))
def test_another_stroke_of_the_same_drum_is_not(seed):
    agreement = compared(prepared(STROKE), prepared(drum_stroke(130, seed=seed)))
    assert agreement.score_db < COPY_DB / 2


def test_many_pairs_are_answered_as_each_alone():
    cut, other = prepared(STROKE[round(0.013 * SR) :]), prepared(drum_stroke(130, seed=6))
    click = prepared(np.pad([0.0, 0.4, -0.3], 100))
    hits = [prepared(*edit) for edit in EDITS.values()] + [cut, other, click]
    pairs = list(product(hits, hits))
    together, alone = compare_hits(pairs), [compared(*pair) for pair in pairs]
    for field in fields(Agreement):
        values = [[getattr(found, field.name) for found in many] for many in (together, alone)]
        # the rounding of a transform, seen where next to nothing is left behind
        assert values[0] == pytest.approx(values[1], rel=1e-3, abs=1e-3, nan_ok=True)


def test_none_is_answered_with_none():
    assert compare_hits([]) == []


@pytest.mark.parametrize("n", [1, 2, 13, 441, 882, 1763, 5003, 19_845])
def test_a_length_is_shortened_to_one_with_a_fast_transform(n):
    # scipy.fft.next_fast_len: the lengths that its transforms are made for
    length = quick_length(n)
    assert next_fast_len(length) == length
    assert length <= n
    assert next_fast_len(length + 1) > n  # none that is longer fits


def test_where_both_are_short_the_lag_is_found_all_the_same():
    y = drum_stroke(200, seed=1)[:2500]
    first, second = prepared(y, p.SR), prepared(-np.pad(y, (300, 0))[:2400], p.SR)
    assert max(first.lag_fft, second.lag_fft) < LAG_FFT
    found = compared(first, second)
    assert found.peak > 0.9
    assert max(found.score_db, found.whole_db) > COPY_DB


def test_of_a_cut_start_the_lag_is_taken_that_explains_the_first_segment():
    cut = prepared(STROKE[round(0.013 * SR) :])
    assert cut.is_cut
    found = compared(prepared(STROKE), cut)
    uncut = compared(replace(prepared(STROKE), is_cut=False), replace(cut, is_cut=False))
    assert found.score_db >= uncut.score_db - 1e-6


@pytest.mark.parametrize("seed", range(6, 10))
def test_the_highest_lag_is_tried_though_another_has_the_better_first_segment(seed):
    first, second = prepared(STROKE[round(0.013 * SR) :]), prepared(drum_stroke(130, seed=seed))
    tries = _tries(first, second, find_lags([(first, second)])[0])
    tried = _likeliest([[tries[0], *reversed(tries[1:])]])[0]
    assert tried[0] is tries[0]
    alone = compared(replace(first, is_cut=False), replace(second, is_cut=False))
    assert compared(first, second).score_db >= alone.score_db - 1e-6


@pytest.mark.parametrize("shift", [-500, -37, 0, 1, 640])
def test_the_lag_is_found_to_a_tenth_of_a_sample(shift):
    y = drum_stroke(200, seed=1)
    first = prepared(np.pad(y, (700, 0)), p.SR)
    moved = np.roll(first.samples, shift)
    second = replace(first, samples=-moved)
    assert find_lags([(first, second)])[0].samples[0] == pytest.approx(shift, abs=0.1)


@given(
    lead=st.integers(0, 3000),
    n=st.integers(2, 3000),
    tail=st.integers(0, 3000),
    offset=st.sampled_from([0.0, 0.02]),
)
@settings(max_examples=60, deadline=None)
def test_short_recordings_are_kept_whole_and_no_others(lead, n, tail, offset):
    stroke = np.random.default_rng(n).uniform(0.2, 1.0, n).astype(np.float32)
    y = np.concatenate([np.zeros(lead), stroke, np.zeros(tail)]).astype(np.float32) + offset
    made = prepare_recording(Audio(as_frames(y), SR, "WAV", "FLOAT"))
    changes = (lead > 0) + n + (tail > 0)  # from the first that differs to the last
    if changes < 0.02 * SR - 2:
        assert made.bare is not None
    if changes > 0.02 * SR + 2:
        assert made.bare is None
