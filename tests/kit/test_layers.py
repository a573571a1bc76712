"""Layers and round robins: the velocities are shared out exactly, dynamics count once."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.kit.layers import (
    MAX_LAYERS,
    add_layers,
    cut_layers,
    layer_warnings,
    strokes_of_drum,
    velocity_gain,
)
from catalog.kit.model import Kit
from tests.kit.drums import make_hit

LOUDNESS = st.one_of(st.floats(-60, 0), st.just(math.nan), st.just(-math.inf), st.just(-20.0))


def of_drum(*loudness: float, **changes: object) -> list:
    where = {"session": "barn", "drum": "snare a", "microphone": "top"} | changes
    return [make_hit(i, loudness=level, **where) for i, level in enumerate(loudness)]


@given(st.lists(LOUDNESS, min_size=1, max_size=60))
def test_layers_cover_each_velocity_and_stroke_once_and_the_gain_grows_to_one(loudness):
    layers = cut_layers(of_drum(*loudness))
    played = [v for layer in layers for v in range(layer.lowest, layer.highest + 1)]
    assert played == list(range(1, 128))
    assert sorted(h.id for layer in layers for h in layer.hits) == list(range(len(loudness)))
    assert len(layers) <= MAX_LAYERS
    assert all(a.strength < b.strength for a, b in pairwise(layers))
    gains = [velocity_gain(layers, v) for v in range(1, 128)]
    assert gains == sorted(gains)
    assert 0.0 < gains[0] <= gains[-1] == 1.0


def test_strokes_of_one_strength_are_round_robins_and_others_layers():
    layers = cut_layers(of_drum(-30.0, -29.5, -20.0, -20.3, -10.0))
    assert [[h.id for h in layer.hits] for layer in layers] == [[0, 1], [3, 2], [4]]


def test_a_stroke_12_db_softer_ends_where_the_square_law_is_6_db_down():
    layers = cut_layers(of_drum(-32.0, -20.0))
    assert layers[0].highest == round(127 * 10 ** (-6 / 40)) == 90


def total_db(layers: tuple, velocity: int) -> float:
    """Level of a velocity under full velocity: what was recorded and what the player takes off."""
    layer = next(x for x in layers if x.lowest <= velocity <= x.highest)
    played = 20 * math.log10(velocity_gain(layers, velocity))
    return layer.strength - layers[-1].strength + played


@pytest.mark.parametrize("levels", [(-20.0,), (-24.0, -20.0), (-32.0, -26.0, -20.0)])
def test_recorded_and_played_dynamics_together_follow_the_square_law(levels):
    layers = cut_layers(of_drum(*levels))
    strays = [total_db(layers, v) - 40 * math.log10(v / 127) for v in range(16, 128)]
    assert max(map(abs, strays)) < 4.5  # half of 6 LU between layers, and the straight lines


def test_above_the_weakest_layer_velocity_changes_no_level():
    layers = cut_layers(of_drum(-32.0, -26.0, -20.0))
    assert {velocity_gain(layers, v) for v in range(layers[0].highest, 128)} == {1.0}


def test_only_strokes_of_the_same_drum_microphone_and_role_are_layers():
    main, other = of_drum(-20.0, -30.0)
    strangers = [
        make_hit(10, session="barn", drum="snare b", microphone="top"),
        make_hit(11, session="attic", drum="snare a", microphone="top"),
        make_hit(12, session="barn", drum="snare a", microphone="room"),
        make_hit(13, "sidestick", session="barn", drum="snare a", microphone="top"),
        make_hit(14, session="barn", drum="snare a", microphone="top", state="aside"),
        make_hit(15, session="barn", drum="snare a", microphone="top", loudness=-math.inf),
    ]
    assert strokes_of_drum(main, [main, other, *strangers]) == (other, main)
    copies = {main.id, other.id}  # are left out, but never the chosen hit
    assert strokes_of_drum(main, [main, other], leave_out=copies) == (main,)
    unknown = of_drum(-20.0, -30.0, drum="")
    assert strokes_of_drum(unknown[0], unknown) == (unknown[0],)


def test_a_slot_gets_the_other_strokes_and_no_hit_is_in_two_slots():
    hits = of_drum(-20.0, -30.0, -25.0, -28.0)
    kit = add_layers(Kit(slots={"snare": (0,), "snare_2": (2,)}), hits, leave_out={3})
    assert kit.slots == {"snare": (0, 1), "snare_2": (2,)}


def test_a_jump_between_layers_is_a_warning():
    assert layer_warnings(cut_layers(of_drum(-40.0, -20.0)))[0].startswith("20 LU between")
    assert layer_warnings(cut_layers(of_drum(-26.0, -20.0))) == ()


def test_no_strokes_make_no_layers():
    with pytest.raises(ParameterError, match="hits is empty"):
        cut_layers([])
