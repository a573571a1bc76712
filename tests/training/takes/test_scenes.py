"""Made takes hold the strokes that they state, and their rises are labelled by them."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.training.takes.disturbances import SR, make_handling, make_noise, make_syllables
from catalog.training.takes.drums import Drum, Stroke, make_drum, make_struck_drum
from catalog.training.takes.material import Material, fold_sources
from catalog.training.takes.scenes import KINDS, Scene, _bounce, make_scene
from catalog.training.takes.strokes import fit_stroke_model, join_rises, label_rises, make_rises

MATERIAL = Material([make_drum(seed) for seed in range(8)], [])


def test_a_scene_is_finite_and_repeats_with_its_seed():
    first, again = (make_scene(MATERIAL, np.random.default_rng(3)) for _ in range(2))
    assert np.array_equal(first.take, again.take)
    assert np.isfinite(first.take).all()
    assert len(first.times_s) == len(first.counts) > 0


@pytest.mark.parametrize("kind", KINDS)
def test_strokes_of_every_kind_lie_within_their_take(kind, monkeypatch):
    monkeypatch.setattr("catalog.training.takes.scenes.KINDS", {kind: (KINDS[kind][0], 1.0)})
    scene = make_scene(MATERIAL, np.random.default_rng(1))
    assert scene.kind == kind
    assert 0 <= min(scene.times_s) <= max(scene.times_s) < len(scene.take) / SR


@pytest.mark.parametrize("make", [make_noise, make_handling, make_syllables])
def test_disturbances_have_the_length_asked_for(make):
    y = make(SR, np.random.default_rng(2))
    assert len(y) == SR
    assert 0 < np.abs(y).max() < np.inf


def test_rises_at_a_stroke_count_once_and_grace_notes_are_not_used():
    take = np.zeros(4 * SR, np.float32)
    for at_s, stroke in zip((1.0, 2.0, 3.0), make_drum(3).strokes, strict=False):
        part = stroke.mono[: SR // 2]
        take[round(at_s * SR) - stroke.onset :][: len(part)] += part
    scene = Scene("flams", take, [1.0, 2.0, 3.0], [True, False, True])
    at_s = np.array([0.5, 1.001, 1.04, 2.0, 2.99, 3.2])
    assert list(label_rises(at_s, scene)) == [0, 1, -1, -1, 1, 0]


def test_a_stroke_that_does_not_stand_out_of_what_is_before_it_is_not_used():
    tones = sum(np.sin(2 * np.pi * hz * np.arange(4 * SR) / SR) for hz in range(1000, 9000, 1000))
    assert list(label_rises(np.array([2.0]), Scene("series", tones, [2.0], [True]))) == [-1]


def test_all_drums_of_a_source_are_in_one_fold_and_no_fold_is_much_larger():
    stroke = Stroke(np.ones(9, np.float32), 0)
    drums = [Drum(f"kit {k // 4}/a|{k}", "tom", [stroke]) for k in range(24)]
    folds = fold_sources(Material([*drums, *(make_drum(seed) for seed in range(3))], []))
    sources = [{d.instrument.split("/")[0] for d in fold.drums if not d.is_made} for fold in folds]
    assert [len(fold.drums) for fold in folds] == [9, 9, 9]
    assert sum(map(len, sources)) == len(set().union(*sources)) == 6


def test_a_fitted_model_separates_most_rises_and_is_fitted_again_alike():
    folds = [make_rises(MATERIAL, n_takes=3, seed=seed) for seed in (1, 2)]
    model, unseen = fit_stroke_model(folds, seed=1)
    again, _ = fit_stroke_model(folds, seed=1)
    rises = join_rises(folds)
    decided = rises.labels >= 0
    found = model.first_probabilities(rises.inputs) >= 0.5
    assert (found == (rises.labels == 1))[decided].mean() > 0.85
    assert unseen.shape == found.shape
    assert all(np.array_equal(a, b) for a, b in zip(model.weights, again.weights, strict=True))
    assert np.array_equal(model.second, again.second)


def test_made_drums_are_always_the_same_and_softer_strokes_are_darker():
    first, again = (make_struck_drum("crash", 3) for _ in range(2))
    assert all(
        np.array_equal(a.mono, b.mono) for a, b in zip(first.strokes, again.strokes, strict=True)
    )
    loud, soft = (f(first.strokes, key=lambda s: np.abs(s.mono).max()) for f in (max, min))
    assert high_share(loud.mono) > high_share(soft.mono)


def high_share(y: np.ndarray) -> float:
    """Return the share of the energy above 8 kHz."""
    power = np.square(np.abs(np.fft.rfft(y)))
    return float(power[len(power) * 16 // 44 :].sum() / power.sum())


def test_a_bouncing_stick_adds_softer_strokes_after_the_first():
    stroke = make_drum(1).strokes[0]
    bounced, last_s = _bounce(stroke, np.random.default_rng(4))
    assert bounced.onset == stroke.onset
    assert 0.06 <= last_s <= 0.61
    first = round(0.06 * SR) + stroke.onset
    assert np.array_equal(bounced.mono[: first - 1], np.pad(stroke.mono, (0, SR))[: first - 1])
    assert len(bounced.mono) > len(stroke.mono)
