"""One recording or two: edits leave almost nothing behind, another stroke leaves most of itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from catalog.sound import picture as p
from catalog.sound.compare import MIN_CELLS, compare_hits, find_lags, prepare_hit
from catalog.sound.decode import Audio, resample
from tests.signals import SR, as_frames, drum_stroke


def prepared(samples: np.ndarray, sr: int = SR, subtype: str = "FLOAT"):
    return prepare_hit(Audio(as_frames(samples.astype(np.float32)), sr, "WAV", subtype))


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
    for agreement in (compare_hits(original, edited), compare_hits(edited, original)):
        assert agreement.score_db >= (COPY_DB if agreement.n_cells >= MIN_CELLS else FEW_CELLS_DB)
        assert agreement.peak > 0.3


@pytest.mark.parametrize("seed", range(6, 16))
def test_another_stroke_of_the_same_drum_is_not(seed):
    agreement = compare_hits(prepared(STROKE), prepared(drum_stroke(130, seed=seed)))
    assert agreement.score_db < COPY_DB / 2


@pytest.mark.parametrize("shift", [-500, -37, 0, 1, 640])
def test_the_lag_is_found_to_a_tenth_of_a_sample(shift):
    y = drum_stroke(200, seed=1)
    first = prepared(np.pad(y, (700, 0)), p.SR)
    moved = np.roll(first.samples, shift)
    second = replace(first, samples=-moved)
    assert find_lags(first, second)[0] == pytest.approx(shift, abs=0.1)
