"""Sketches: near 1 for a copy however edited, low for other strokes, and no answer for clicks."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.model import Audio
from catalog.features.spectrogram import SR
from catalog.matching.classifier import OTHER_BELOW
from catalog.matching.fingerprint import SKETCH_SAMPLES, correlate_sketches, sketch_hits
from catalog.matching.prepare import prepare_hit
from catalog.matching.views import prepare_recording, sketches_alike, sketches_of
from catalog.training.edits import EDITS, applies, apply_edits
from tests.signals import as_frames, drum_stroke

ONE_BYTE = 0.02  # what rounding to one byte may move a correlation by


def audio(y: np.ndarray) -> Audio:
    return Audio(as_frames(np.asarray(y, np.float32)), SR, "WAV", "FLOAT")


def correlation(a: Audio, b: Audio) -> float:
    both = sketch_hits([prepare_hit(a), prepare_hit(b)])
    return float(correlate_sketches(both, np.array([0]), np.array([1]))[0])


STROKE = audio(drum_stroke(130, seed=5, sr=SR))
EDITED = [e for e in EDITS if e.kind in ("lossless", "lossy") and applies(e, STROKE)]


@pytest.mark.parametrize("edit", EDITED, ids=lambda edit: edit.name)
def test_an_edited_copy_is_never_told_apart(edit):
    edited = apply_edits(STROKE, (edit,), rng=np.random.default_rng(1))
    assert correlation(STROKE, edited) > OTHER_BELOW
    assert correlation(edited, STROKE) > OTHER_BELOW


def test_other_strokes_are_told_apart():
    others = [audio(drum_stroke(130, seed=seed, sr=SR)) for seed in range(20, 40)]
    apart = [correlation(STROKE, other) < OTHER_BELOW for other in others]
    assert np.mean(apart) > 0.5  # the rest is for the samples to say


def test_a_start_that_was_trimmed_is_not_counted_against_a_copy():
    # against numpy: what is left of a click and its ring once the click is gone, by its energy
    rng = np.random.default_rng(3)
    ring = rng.normal(size=8_000) * np.exp(-np.arange(8_000) / 2_500)
    click = np.concatenate([8.0 * rng.normal(size=200), ring])
    share = float(np.square(ring[200:]).sum() / np.square(click).sum())
    assert share < 0.3
    assert correlation(audio(click), audio(click[200:])) > np.sqrt(share)


def test_it_is_the_correlation_that_numpy_finds():
    # against numpy.correlate, of the same half-whitened waves before each number is one byte
    a, b = prepare_hit(STROKE), prepare_hit(audio(drum_stroke(130, seed=7, sr=SR)))
    waves = []
    for hit in (a, b):
        y = hit.samples[:SKETCH_SAMPLES]
        spectrum = np.fft.rfft(y, 6_300)[:1_576]
        size = np.abs(spectrum)
        gain = size**1.5 / (size**2 + 10.0 * len(y) * hit.noise + 1e-12)
        waves.append(np.fft.irfft(spectrum * gain, 3_150))
    lags = np.abs(np.correlate(np.tile(waves[1], 3), waves[0], "valid"))
    lags = lags[3_150 + np.arange(-1_100, 1_100)]
    whole = lags.max() / np.sqrt(np.prod([np.square(w).sum() for w in waves]))
    both = sketch_hits([a, b])
    found = float(correlate_sketches(both, np.array([0]), np.array([1]))[0])
    assert whole - ONE_BYTE < found < 1.1 * whole + ONE_BYTE  # what one lacks is left out


def test_polarity_and_level_change_nothing():
    turned = audio(-0.01 * STROKE.samples[:, 0])
    assert correlation(STROKE, turned) == pytest.approx(1.0, abs=ONE_BYTE)


def test_many_are_answered_as_one_is():
    hits = [prepare_hit(audio(drum_stroke(130, seed=s, sr=SR))) for s in range(30)]
    sketches = sketch_hits(hits)
    first, second = (rows.ravel() for rows in np.meshgrid(np.arange(30), np.arange(30)))
    together = correlate_sketches(sketches, first, second)
    alone = [
        correlate_sketches(sketches, np.array([a]), np.array([b]))[0]
        for a, b in zip(first, second, strict=True)
    ]
    assert together == pytest.approx(np.array(alone), abs=1e-5)
    assert np.all(together[first == second] > 1.0 - ONE_BYTE)


def test_a_click_is_not_told_from_its_copies():
    click = np.zeros(SR)
    click[100:106] = [0.0, 0.4, -0.3, 0.2, 0.1, -0.05]
    other = np.zeros(SR)
    other[100:160] = np.random.default_rng(1).normal(size=60)
    copies = [-0.1 * click, click + 0.002, np.concatenate([np.zeros(4800), click])]
    first, *others = (prepare_recording(audio(y)) for y in (click, *copies))
    assert sketches_alike([(first, copy) for copy in others]).min() > OTHER_BELOW
    first, *others = (prepare_recording(audio(y[100:400])) for y in (click, -click, other))
    alike = sketches_alike([(first, one) for one in others])
    assert not sketches_of([first])[0].is_long.any()
    assert alike[0] == pytest.approx(2.0, abs=2 * ONE_BYTE)  # what is short counts twice


def test_one_side_of_two_is_met_with_the_side_it_is():
    left, right = (drum_stroke(130, seed=s, sr=SR) for s in (1, 2))
    stereo = prepare_recording(Audio(np.stack([left, right], 1).astype(np.float32), SR, "WAV", ""))
    mono = prepare_recording(audio(right))
    assert [len(sketches) for sketches in sketches_of([stereo, mono])] == [3, 1]
    alike = sketches_alike([(stereo, mono), (mono, stereo)])
    assert alike == pytest.approx([1.0, 1.0], abs=ONE_BYTE)


def test_none_is_answered_with_none():
    one = sketch_hits([prepare_hit(STROKE)])
    none = np.empty(0, int)
    assert correlate_sketches(one, none, none).shape == (0,)
