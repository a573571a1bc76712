"""Layers and round robins: the velocities are shared out exactly, fragments are no layers."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from catalog.errors import ParameterError
from catalog.kit.layers import (
    LAYER_DB,
    MAX_LAYERS,
    MIN_SOUND_S,
    add_layers,
    cut_layers,
    law_db,
    most_layers,
    strokes_of_drum,
)
from catalog.kit.model import Kit
from tests.kit.drums import SR, make_hit

LOUDNESS = st.one_of(st.floats(-60, 0), st.just(math.nan), st.just(-math.inf), st.just(-20.0))


def of_drum(*loudness: float, **changes: object) -> list:
    where = {"session": "barn", "drum": "snare a", "microphone": "top"} | changes
    return [make_hit(i, loudness=level, **where) for i, level in enumerate(loudness)]


@given(st.lists(LOUDNESS, min_size=1, max_size=60))
def test_layers_cover_each_velocity_and_stroke_once(loudness):
    layers = cut_layers(of_drum(*loudness))
    played = [v for layer in layers for v in range(layer.lowest, layer.highest + 1)]
    assert played == list(range(1, 128))
    assert sorted(h.id for layer in layers for h in layer.hits) == list(range(len(loudness)))
    assert len(layers) <= MAX_LAYERS
    assert all(a.strength < b.strength for a, b in pairwise(layers))


def test_strokes_of_one_strength_are_round_robins_and_others_layers():
    layers = cut_layers(of_drum(-30.0, -29.5, -20.0, -20.3, -10.0))
    assert [[h.id for h in layer.hits] for layer in layers] == [[0, 1], [3, 2], [4]]


def test_a_stroke_12_db_softer_ends_where_the_square_law_is_6_db_down():
    layers = cut_layers(of_drum(-32.0, -20.0))
    assert layers[0].highest == round(127 * 10 ** (-6 / 40)) == 90


def test_layers_far_apart_meet_where_the_weaker_is_boosted_by_6_db():
    layers = cut_layers(of_drum(-50.0, -20.0))
    assert layers[0].highest == round(127 * 10 ** (-24 / 40)) == 32


def test_the_law_is_a_square_and_never_steps_by_more_than_1_5_db():
    assert [law_db(v) for v in (127, 64, 32)] == pytest.approx(
        [40 * math.log10(v / 127) for v in (127, 64, 32)]
    )
    steps = [law_db(v + 1) - law_db(v) for v in range(1, 127)]
    assert min(steps) > 0.0
    assert max(steps) < 1.5 + 1e-9


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


@given(st.lists(st.floats(-60, 0), min_size=1, max_size=60), st.integers(1, 20), st.integers(0, 59))
def test_a_drum_gets_no_more_layers_than_asked_for_with_the_main_hit_and_both_ends(
    loudness, n_layers, main
):
    hits = of_drum(*loudness)
    main = main % len(hits)
    kit = add_layers(Kit(slots={"snare": (main,)}), hits, n_layers=n_layers)
    kept = [hits[i] for i in kit.slots["snare"]]
    assert kept[0].id == main
    assert len(cut_layers(kept)) <= n_layers
    if n_layers > 2 or len(cut_layers(hits)) == 1:
        assert max(h.strength_lkfs for h in kept) > max(loudness) - LAYER_DB * 2
    everything = add_layers(Kit(slots={"snare": (main,)}), hits)
    if len(cut_layers(hits)) <= n_layers:
        assert kit == everything


def test_layers_that_are_kept_are_evenly_spaced():
    hits = of_drum(-40.0, -35.0, -30.0, -25.0, -20.0)
    assert add_layers(Kit(slots={"snare": (4,)}), hits, n_layers=3).slots["snare"] == (4, 0, 2)
    assert add_layers(Kit(slots={"snare": (1,)}), hits, n_layers=2).slots["snare"] == (1, 4)
    assert add_layers(Kit(slots={"snare": (1,)}), hits, n_layers=1).slots["snare"] == (1,)
    six = of_drum(-50.0, -40.0, -30.0, -20.0, -10.0, 0.0)
    assert add_layers(Kit(slots={"snare": (4,)}), six, n_layers=3).slots["snare"] == (4, 0, 5)
    with pytest.raises(ParameterError, match="n_layers=0 must be 1 or more"):
        add_layers(Kit(slots={"snare": (1,)}), hits, n_layers=0)


def test_a_file_of_a_few_samples_is_no_layer():
    short = round(MIN_SOUND_S * SR) - 1
    main, fragment, shortest = [
        make_hit(i, stop=stop, session="barn", drum="a", microphone="top", loudness=-20.0 - 9 * i)
        for i, stop in enumerate((4410, 6, short + 1))
    ]
    assert strokes_of_drum(main, [main, fragment, shortest]) == (shortest, main)
    assert add_layers(Kit(slots={"snare": (0,)}), [main, fragment]).slots == {"snare": (0,)}


def test_no_strokes_make_no_layers():
    with pytest.raises(ParameterError, match="hits is empty"):
        cut_layers([])


def test_a_kit_with_fewer_layers_than_there_are_keeps_their_number():
    hits = of_drum(-40.0, -35.0, -30.0, -25.0, -20.0)
    by_id, kit = {hit.id: hit for hit in hits}, Kit(slots={"snare": (4,), "kick": (99,)})
    full, two = add_layers(kit, hits), add_layers(kit, hits, n_layers=2)
    assert most_layers(two, full, by_id) == 2
    assert most_layers(full, full, by_id) == MAX_LAYERS
    assert most_layers(Kit(), full, {}) == 1
