"""Level by velocity: it rises smoothly from layer to layer, whatever the recorded levels are."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog.kit.dynamics import layer_warnings, reference_lkfs, stroke_curve
from catalog.kit.layers import MAX_BOOST_DB, cut_layers, law_db
from catalog.models import Hit
from tests.kit.drums import make_hit

MAX_STEP_DB, MAX_FALL_DB = 2.0, 0.5  # between neighboring velocities
CURVE_DB = 0.15  # straight lines between the points of a curve against the law


def of_drum(*loudness: float, **changes: object) -> list[Hit]:
    return [make_hit(i, loudness=level, **changes) for i, level in enumerate(loudness)]


def sweep(hits: list[Hit], *, robin: int = 0) -> np.ndarray:
    """Return the loudness of each velocity from 1 to 127."""
    layers = cut_layers(hits)
    levels = []
    for velocity in range(1, 128):
        layer = next(x for x in layers if x.lowest <= velocity <= x.highest)
        hit = layer.hits[(velocity + robin) % len(layer.hits)]
        gain_db = stroke_curve(hit, layer, layers).gain_db(velocity)
        levels.append(hit.descriptors["loudness_lkfs"] + gain_db)  # all are mono
    return np.array(levels)


@pytest.mark.parametrize(
    "levels",
    [
        (-20.0,), (-24.0, -20.0), (-41.0, -20.0), (-60.0, -20.0), (-35.0, -33.9, -21.2, -20.0),
        (-20.0, -20.9, -21.8, -27.0, -28.5, -36.0, -40.0, -49.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize("robin", [0, 1])
def test_the_level_follows_the_law_from_layer_to_layer(levels, robin):
    played = sweep(of_drum(*levels), robin=robin)
    assert played[-1] == pytest.approx(-20.0)
    wanted = [-20.0 + law_db(v) for v in range(1, 128)]
    assert played == pytest.approx(wanted, abs=CURVE_DB)
    steps = np.diff(played)
    assert steps.max() < MAX_STEP_DB
    assert steps.min() > -MAX_FALL_DB


@given(st.lists(st.floats(-60, -10), min_size=1, max_size=40))
def test_no_stroke_is_boosted_beyond_the_limit_and_curves_rise_to_one(loudness):
    layers = cut_layers(of_drum(*loudness))
    for layer in layers:
        for hit in layer.hits:
            curve = stroke_curve(hit, layer, layers)
            shares = list(curve.points.values())
            assert (min(curve.points), max(curve.points)) == (layer.lowest, layer.highest)
            assert shares == sorted(shares)
            assert 0.0 < shares[0] <= shares[-1] == 1.0
            assert curve.top_db <= MAX_BOOST_DB
            assert all(a < b for a, b in pairwise(curve.points))


def test_a_mono_and_a_stereo_stroke_of_one_layer_sound_alike():
    """Two channels of equal loudness read 3 dB more (BS.1770-4 adds their energies)."""
    mono, stereo = make_hit(0, loudness=-23.01), make_hit(1, loudness=-20.0, n_channels=2)
    layers = cut_layers([mono, stereo])
    gains = [stroke_curve(hit, x, layers).top_db for x in layers for hit in x.hits]
    (low,), (high,) = ([x for x in layers if hit in x.hits] for hit in (mono, stereo))
    expected = law_db(low.highest) - law_db(high.highest)
    assert gains[0] - gains[1] == pytest.approx(expected)


def test_strokes_normalized_to_one_level_get_their_dynamics_from_the_law():
    hits = [make_hit(i, loudness=-20.0, heard_lkfs=level) for i, level in enumerate((-32.0, -20.0))]
    assert sweep(hits) == pytest.approx([-20 + law_db(v) for v in range(1, 128)], abs=CURVE_DB)
    assert "normalized to one level" in layer_warnings(cut_layers(hits))[0]


@pytest.mark.parametrize("unknown", [math.nan, -math.inf])
def test_strokes_of_unknown_loudness_keep_their_level_at_the_top_of_their_layer(unknown):
    layers = cut_layers(of_drum(unknown))
    assert math.isnan(reference_lkfs(layers))
    curve = stroke_curve(layers[0].hits[0], layers[0], layers)
    assert [curve.gain_db(v) for v in (127, 64)] == pytest.approx([0.0, law_db(64)], abs=CURVE_DB)


def test_a_jump_between_layers_is_a_warning():
    assert layer_warnings(cut_layers(of_drum(-40.0, -20.0)))[0].startswith("20 LU between")
    assert layer_warnings(cut_layers(of_drum(-26.0, -20.0))) == ()


def test_a_fragment_that_was_put_into_a_slot_is_a_warning():
    layers = cut_layers(of_drum(-20.0, stop=6))
    assert layer_warnings(layers) == ("snare_0 lasts 0.1 ms: remove it, it is no whole stroke",)
