"""Made takes hold the strokes that they state, and their rises are labelled by them."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.training.takes.disturbances import SR, make_handling, make_noise, make_syllables
from catalog.training.takes.material import Drum, Material, Stroke, make_drum, split_drums
from catalog.training.takes.scenes import KINDS, Scene, make_scene
from catalog.training.takes.strokes import fit_stroke_model, label_rises, make_rises

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


def test_drums_are_held_out_with_all_their_microphones():
    stroke = Stroke(np.ones(9, np.float32), 0)
    drums = [Drum(f"kit|{k // 2}", "tom", [stroke]) for k in range(16)]
    known, held_out = split_drums(Material(drums, []))
    assert len(known.drums) == 12
    assert not {d.instrument for d in known.drums} & {d.instrument for d in held_out.drums}


def test_a_fitted_model_separates_most_rises():
    rises = make_rises(MATERIAL, n_takes=6, seed=1)
    model = fit_stroke_model(rises, seed=1)
    found = model.probabilities(rises.inputs) >= 0.5
    assert (found == rises.is_stroke).mean() > 0.85
