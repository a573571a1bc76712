"""Strength of normalized strokes: order, units, and which drums count as normalized."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soundfile as sf

from catalog import Catalog
from catalog.features.measure import measure_audio
from catalog.features.measures import Measures
from catalog.kit.dynamics import layer_warnings, stroke_curve
from catalog.kit.layers import layers_of
from catalog.kit.model import Kit
from catalog.search.drums.strength import (
    STEP_LU,
    estimate_strengths,
    is_level_normalized,
    load_model,
    strength_feature_names,
    strength_features,
)
from tests.duplicates.test_groups import make_hit
from tests.matching.hits import as_audio
from tests.signals import SR, decaying_noise, drum_stroke

ORDER = (0.06, 0.12, 0.25, 0.5, 1.0)  # of full strength


def struck(strength: float, *, seed: int = 0) -> np.ndarray:
    """Make a drum in a quiet room; harder strokes have more noise, the room noise is constant.

    That harder strokes are brighter is common practice, no published source.
    """
    body = drum_stroke(180, seed=seed)
    skin = np.zeros_like(body)
    noise = decaying_noise(0.15, seed=seed + 50, length_s=0.3, sr=SR)
    skin[480 : 480 + len(noise)] = noise
    room = np.random.default_rng(seed + 99).normal(size=len(body)) * 3e-5
    return (strength * (body + 0.8 * strength * skin) + room).astype(np.float32)


def normalized(y: np.ndarray) -> np.ndarray:
    return 0.9 * y / np.abs(y).max()


def features_of(measures: Measures) -> np.ndarray:
    return strength_features(measures.descriptors, measures.production)


def estimates_of(sounds: list[np.ndarray]) -> np.ndarray:
    measures = [measure_audio(as_audio(y)) for y in sounds]
    embeddings = np.array([m.embedding for m in measures])
    return estimate_strengths(np.array([features_of(m) for m in measures]), embeddings)


def test_harder_strokes_of_one_peak_get_higher_estimates():
    for first in range(0, 40, 10):
        estimated = estimates_of([normalized(struck(s, seed=first)) for s in ORDER])
        assert estimated.mean() == pytest.approx(0.0, abs=STEP_LU)
        assert np.corrcoef(estimated, np.log(ORDER))[0, 1] > 0.8
        assert estimated[-1] - estimated[0] > 3.0


def test_features_do_not_depend_on_gain():
    y = struck(0.5)
    loud, soft = (features_of(measure_audio(as_audio(gain * y))) for gain in (1.0, 0.25))
    difference = loud - soft
    assert len(difference) == len(strength_feature_names())
    assert np.nanmax(np.abs(difference)) < 0.02


def test_one_recording_at_several_gains_has_one_strength():
    y = normalized(struck(0.5))
    assert set(estimates_of([y * g for g in (0.999, 1.0, 0.998)])) == {0.0}


def test_an_undefined_feature_is_ignored():
    rows = np.zeros((3, len(strength_feature_names())))
    rows[1, 4] = math.nan
    assert list(estimate_strengths(rows, np.zeros((3, 5)))) == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("peaks", "loudness", "expected"),
    [
        ((-1.0, -1.02, -0.97), (-20.0, -14.0, -17.0), True),
        ((-1.0, -1.2, -0.9), (-20.0, -14.0, -17.0), False),  # strokes of one strength
        ((-9.0, -1.2, -4.0), (-18.0, -18.03, -18.02), True),
        ((-9.0, -1.2, -4.0), (-20.0, -14.0, -17.0), False),
        ((-1.0, -1.3), (-20.0, -14.0), False),
        ((-1.0, -1.0), (-20.0, -14.0), True),
        ((-1.0,), (-20.0,), False),
        ((math.nan, math.nan), (math.nan, math.nan), False),
    ],
)
def test_strokes_of_equal_peak_or_loudness_are_normalized(peaks, loudness, expected):
    hits = [
        make_hit(n, descriptors={"peak_db": peak, "loudness_lkfs": level})
        for n, (peak, level) in enumerate(zip(peaks, loudness, strict=True), start=1)
    ]
    assert is_level_normalized(hits) is expected


def test_the_shipped_model_fits_these_features():
    model = load_model()
    assert model.scale.shape == model.weights.shape == (len(strength_feature_names()),)
    assert (model.scale > 0).all()


def scanned(tmp_path, sounds) -> Catalog:
    folder = tmp_path / "Loft" / "Snare A"
    folder.mkdir(parents=True)
    for number, y in enumerate(sounds, start=1):
        sf.write(folder / f"snare {number}.wav", y, SR, "PCM_24")
    cat = Catalog.open(tmp_path / "drums.sqlite")
    cat.scan([tmp_path / "Loft"], n_jobs=1)
    return cat


def snare_layers(cat: Catalog):
    ids = {hit.path.stem: hit.id for hit in cat.hits()}
    kit = cat.kits.add_layers(Kit(slots={"snare": (ids["snare 3"],)}))
    assert len(kit.slots["snare"]) == len(ORDER)
    return layers_of(kit, "snare", cat.hits_by_id(kit.slots["snare"]))


def played_lkfs(layers, velocity: int) -> float:
    layer = next(x for x in layers if x.lowest <= velocity <= x.highest)
    hit = layer.hits[0]
    return hit.played_lkfs + stroke_curve(hit, layer, layers).gain_db(velocity)


def test_normalized_files_become_layers_and_velocity_makes_their_dynamics(tmp_path):
    shuffled = [ORDER[at] for at in (2, 0, 4, 1, 3)]
    with scanned(tmp_path, [normalized(struck(s, seed=n)) for n, s in enumerate(shuffled)]) as cat:
        layers = snare_layers(cat)
        order = [hit.path.stem for layer in layers for hit in layer.hits]
        assert (order[0], order[-1]) == ("snare 2", "snare 3")
        assert "one level" in layer_warnings(layers)[0]
        half_db = played_lkfs(layers, 64) - played_lkfs(layers, 127)
        assert half_db == pytest.approx(40 * math.log10(64 / 127), abs=1.0)
        assert {b.strength for b in cat.review.coverage().bins} != {"full"}
        loudest = max(layers[-1].hits, key=lambda hit: hit.strength_lkfs)
        assert loudest.strength_lkfs == pytest.approx(loudest.descriptors["loudness_lkfs"])


def test_files_with_their_own_levels_are_ordered_by_them(tmp_path):
    with scanned(tmp_path, [struck(s, seed=n) for n, s in enumerate(ORDER)]) as cat:
        layers = snare_layers(cat)
        order = [hit.path.stem for layer in layers for hit in layer.hits]
        assert order == [f"snare {n}" for n in range(1, len(ORDER) + 1)]
        assert all(hit.heard_lkfs is None for layer in layers for hit in layer.hits)
        assert not any("one level" in line for line in layer_warnings(layers))
        weakest_db = played_lkfs(layers, 20) - played_lkfs(layers, 127)
        assert weakest_db == pytest.approx(40 * math.log10(20 / 127), abs=1.0)
