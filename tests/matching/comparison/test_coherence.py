"""Coherence: edits leave almost no residual, another stroke leaves most of its energy."""

from __future__ import annotations

from dataclasses import astuple, replace
from itertools import product

import numpy as np
import pytest

from catalog.audio.resample import resample
from catalog.matching.align import find_lags
from catalog.matching.comparison.coherence import (
    MIN_CELLS,
    lag_trials,
    measure_coherence,
    select_trials,
)
from tests.matching.hits import STROKE, coherence, prepared
from tests.signals import SR, drum_stroke

FEW_CELLS_DB = 20.0
COPY_DB = 15.0  # edits without drive or filter have more before any fit
TRIMMED = STROKE[round(0.013 * SR) :]
EDITS = {
    "gain": (STROKE * 0.05, SR, "FLOAT"),
    "polarity": (-STROKE, SR, "FLOAT"),
    "offset": (STROKE + 0.01, SR, "FLOAT"),
    "silence before": (np.concatenate([np.zeros(3000), STROKE]), SR, "FLOAT"),
    "16 bits": (np.rint(STROKE * 0.3 * 32768) / 32768, SR, "PCM_16"),
    "44.1 kHz": (resample(STROKE, sr=SR, to_sr=44_100), 44_100, "FLOAT"),
    "96 kHz": (resample(STROKE, sr=SR, to_sr=96_000), 96_000, "FLOAT"),
    "start trimmed by 3 ms": (TRIMMED, SR, "FLOAT"),
    "tail cut": (STROKE[: len(STROKE) // 3], SR, "FLOAT"),
    "tail faded": (STROKE * np.linspace(1, 0, len(STROKE)), SR, "FLOAT"),
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_copy_is_coherent_in_both_directions(name):
    original, edited = prepared(STROKE), prepared(*EDITS[name])
    for result in measure_coherence([(original, edited), (edited, original)]):
        assert result.score_db >= (COPY_DB if result.n_cells >= MIN_CELLS else FEW_CELLS_DB)
        assert result.peak > 0.3


@pytest.mark.parametrize("seed", range(6, 16))
def test_another_stroke_of_the_same_drum_is_not_coherent(seed):
    result = coherence(prepared(STROKE), prepared(drum_stroke(130, seed=seed)))
    assert result.score_db < COPY_DB / 2


def test_a_batch_gives_the_results_of_single_pairs():
    other, click = prepared(drum_stroke(130, seed=6)), prepared(np.pad([0.0, 0.4, -0.3], 100))
    signals = [*(prepared(*edit) for edit in EDITS.values()), other, click]
    pairs = list(product(signals, signals))
    together = np.array([astuple(result) for result in measure_coherence(pairs)])
    single = np.array([astuple(coherence(*pair)) for pair in pairs])
    # rounding of the transform, which shows where almost no residual is left
    assert together == pytest.approx(single, rel=1e-3, abs=1e-3, nan_ok=True)


def test_no_pairs_give_no_results():
    assert measure_coherence([]) == []


@pytest.mark.parametrize("seed", [5, *range(6, 10)])
def test_trying_the_lags_of_a_cut_start_never_lowers_the_score(seed):
    first, second = prepared(TRIMMED), prepared(drum_stroke(130, seed=seed))
    assert first.is_cut
    highest_only = replace(first, is_cut=False), replace(second, is_cut=False)
    assert coherence(first, second).score_db >= coherence(*highest_only).score_db - 1e-6


@pytest.mark.parametrize("seed", range(6, 10))
def test_the_highest_lag_is_tried_though_another_has_the_better_first_segment(seed):
    first, second = prepared(TRIMMED), prepared(drum_stroke(130, seed=seed))
    trials = lag_trials(first, second, find_lags([(first, second)])[0])
    selected = select_trials([[trials[0], *reversed(trials[1:])]])[0]
    assert selected[0] is trials[0]
