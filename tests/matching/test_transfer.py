"""What leads from one recording to the other: filters and curves of which the answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.signal import lfilter

from catalog.audio.model import Audio
from catalog.features.spectrogram import SR
from catalog.matching.coherence import compare_hits
from catalog.matching.evidence import (
    EVIDENCE,
    Fits,
    Scores,
    _percentiles,
    _unevenness_db,
    fitted_evidence,
)
from catalog.matching.transfer import N_TAPS, SLOW_HZ, Filter, align_hits, fit_filter
from catalog.matching.views import meet, prepare_recording
from tests.signals import as_frames, drum_stroke

STROKE = drum_stroke(130, seed=5, sr=SR).astype(np.float64)
GAIN_TOLERANCE_DB = 0.1
NOTHING_LEFT_DB = -40.0  # what 16 bits leave of a loud hit is less


def recording(y: np.ndarray):
    y = np.asarray(y, np.float32)
    return prepare_recording(Audio(y if y.ndim == 2 else as_frames(y), SR, "WAV", "FLOAT"))


def evidence(first: np.ndarray, second: np.ndarray) -> dict[str, float]:
    met = meet([(recording(first), recording(second))])[0]
    return dict(zip(EVIDENCE, fitted_evidence(*met), strict=True))


def test_offset_gain_and_polarity_are_those_that_were_applied():
    later = np.concatenate([np.zeros(2205), -0.25 * STROKE])
    aligned = align_hits(*meet([(recording(STROKE), recording(later))])[0])
    assert aligned.offset_s == pytest.approx(0.05, abs=1e-5)
    assert aligned.gain_db == pytest.approx(-12.04, abs=GAIN_TOLERANCE_DB)
    assert aligned.polarity == -1
    assert aligned.residue_db < NOTHING_LEFT_DB


def test_the_fitted_filter_is_the_one_that_was_applied():
    kernel = np.array([0.0, 1.0, 0.5, -0.25])
    filtered = np.convolve(STROKE, kernel)[: len(STROKE)]
    aligned = align_hits(*meet([(recording(STROKE), recording(filtered))])[0])
    told = aligned.taps / aligned.taps[np.argmax(np.abs(aligned.taps))]
    at = int(np.argmax(np.abs(told)))
    assert told.shape == (N_TAPS,)
    assert np.sort(np.abs(told))[-3:] == pytest.approx([0.25, 0.5, 1.0], abs=0.02)
    assert min(abs(told[at - 1] - 0.5), abs(told[at + 1] - 0.5)) < 0.02
    assert aligned.residue_db < NOTHING_LEFT_DB


def test_a_static_curve_is_undone_by_the_fit():
    driven = np.tanh(3.0 * STROKE)
    (plain,) = compare_hits([(recording(STROKE).mix, recording(driven).mix)])
    fitted = evidence(STROKE, driven)
    assert plain.score_db < 25.0
    assert fitted["mean_db"] > plain.score_db + 5.0


@pytest.mark.parametrize("seed", range(6, 12))
def test_nothing_is_fitted_that_makes_another_stroke_a_copy(seed):
    other = drum_stroke(130, seed=seed, sr=SR)
    assert evidence(STROKE, other)["mean_db"] < 8.0


def test_one_side_of_a_wide_file_is_met_by_that_side():
    wide = np.stack([STROKE, drum_stroke(130, seed=9, sr=SR)], axis=1)
    assert evidence(wide, STROKE)["mean_db"] > 35.0
    assert len(recording(wide).sides) == 2
    assert recording(np.stack([STROKE, STROKE], axis=1)).sides == ()


def test_what_overlaps_in_nothing_gives_numbers_all_the_same():
    short = evidence(STROKE[480:486], STROKE[-4000:])
    assert short["n_cells"] == 0
    assert np.isnan(short["mean_db"])


def test_a_filter_with_slow_poles_is_applied_as_scipy_would():
    # against scipy.signal.lfilter, one pole after the other
    rng = np.random.default_rng(2)
    x, taps, weights = rng.normal(size=3_000), rng.normal(size=N_TAPS), rng.normal(size=8)
    asked = np.convolve(x, taps[::-1])[N_TAPS - 1 - N_TAPS // 2 :][: len(x)]
    for k, hz in enumerate(SLOW_HZ):
        pole = np.exp(-2 * np.pi * hz / SR)
        once = lfilter([1 - pole], [1, -pole], x)
        asked += weights[2 * k] * once + weights[2 * k + 1] * lfilter([1 - pole], [1, -pole], once)
    told = Filter(taps, weights, np.zeros((0, 12))).apply(x)
    assert told == pytest.approx(asked, abs=1e-9)


def test_a_slow_filter_is_found_again():
    pole = np.exp(-2 * np.pi * SLOW_HZ[1] / SR)
    x = np.random.default_rng(4).normal(size=20_000)
    y = 0.5 * x - lfilter([1 - pole], [1, -pole], x)
    left = y - fit_filter(x.astype(np.float32), y).apply(x)
    assert 10 * np.log10(np.square(left).sum() / np.square(y).sum()) < NOTHING_LEFT_DB


def test_a_curve_beside_the_filter_can_only_tell_more():
    rng = np.random.default_rng(5)
    filtered = np.convolve(STROKE, [1.0, 0.4])[: len(STROKE)]
    filtered += 1e-3 * rng.normal(size=len(filtered))
    fits = Fits(*meet([(recording(STROKE), recording(filtered))])[0])
    at = EVIDENCE.index("phased_db")
    of = [fits.evidence(n)[at] for n in (1, 2, 4)]
    assert of == sorted(of)


def test_a_curve_is_told_from_the_side_that_was_not_driven():
    first, driven = recording(STROKE), recording(np.tanh(4.0 * STROKE / np.abs(STROKE).max()))
    both = [Fits(*meet([pair])[0]) for pair in ((first, driven), (driven, first))]
    told = [fits.evidence(2) for fits in both]
    assert told[0] == pytest.approx(told[1], rel=0.02, abs=0.5)
    at = EVIDENCE.index("phased_db")
    for fits, evidence in zip(both, told, strict=True):
        assert evidence[at] > fits.evidence(1)[at] + 3.0  # twice as much of it is told


@given(arrays(np.float32, st.integers(1, 40), elements=st.floats(-40, 40, width=32)))
def test_numbers_of_cells_are_what_numpy_says_of_them(values):
    # numpy's own percentile and median
    told = _percentiles(values, 0, 10, 25, 50, 90, 100)
    assert told == pytest.approx(np.percentile(values, [0, 10, 25, 50, 90, 100]), abs=1e-4)
    segment = np.repeat([0, 2], [len(values) // 3, len(values) - len(values) // 3])
    cells = Scores(values, values, values, values, values, segment)
    off = [values[segment == k] - np.median(values[segment == k]) for k in np.unique(segment)]
    assert _unevenness_db(cells) == pytest.approx(
        np.sqrt(np.mean(np.concatenate(off) ** 2)), abs=1e-4
    )
