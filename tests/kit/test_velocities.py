"""Strokes put in order by hand: the hand has its way, and no stroke is lost or doubled."""

import pytest

from catalog.errors import KitError
from catalog.kit import velocities as arrange
from catalog.kit.export import plan_export
from catalog.kit.layers import MAX_LAYERS, add_layers, layers_of
from catalog.kit.model import Kit
from tests.kit.drums import make_hit, make_stroke

LEVELS = (-30.0, -29.5, -20.0, -10.0)  # strokes 0 and 1 are of one strength
WHERE = {"session": "barn", "drum": "snare a", "microphone": "top"}
HITS = {i: make_hit(i, loudness=level, **WHERE) for i, level in enumerate(LEVELS)}
KIT = Kit(slots={"snare": (3, 0, 1, 2)})


def ids_of(kit: Kit) -> list[list[int]]:
    return [[hit.id for hit in layer.hits] for layer in layers_of(kit, "snare", HITS)]


def test_layers_are_cut_by_strength_until_a_hand_moves_a_stroke() -> None:
    assert ids_of(KIT) == [[0, 1], [2], [3]]
    moved = arrange.move_stroke(KIT, "snare", 0, 1, hits=HITS)
    assert ids_of(moved) == [[1], [2, 0], [3]]
    assert ids_of(arrange.sort_by_strength(moved, "snare")) == ids_of(KIT)
    assert Kit.from_json(moved.to_json()) == moved


def test_a_stroke_gets_a_layer_of_its_own_below_or_above() -> None:
    assert ids_of(arrange.move_stroke(KIT, "snare", 1, 0, hits=HITS, apart=True))[0] == [1]
    assert ids_of(arrange.move_stroke(KIT, "snare", 1, 3, hits=HITS))[-1] == [1]


def test_arranged_layers_hold_every_velocity_once_and_are_what_is_exported() -> None:
    moved = arrange.move_stroke(KIT, "snare", 3, 0, hits=HITS)
    layers = layers_of(moved, "snare", HITS)
    played = [v for layer in layers for v in range(layer.lowest, layer.highest + 1)]
    assert played == list(range(1, 128))
    plan = plan_export(moved, HITS, "kit", read=make_stroke)
    weakest = {file.hit_id for file in plan.audio if file.lowest == 1}
    assert weakest == {0, 1, 3}


def test_a_stroke_that_comes_later_joins_the_layer_nearest_to_it() -> None:
    few = Kit(slots={"snare": (3, 0, 2)})
    kept = arrange.keep_layers(few, "snare", hits=HITS)
    assert ids_of(arrange.add_stroke(kept, "snare", 1)) == [[0, 1], [2], [3]]
    assert add_layers(kept, list(HITS.values())).slots == few.slots  # what is kept is left alone


def test_the_next_stroke_stands_for_the_slot_when_the_main_one_goes() -> None:
    kept = arrange.keep_layers(KIT, "snare", hits=HITS)
    left = arrange.drop_stroke(kept, "snare", 3)
    assert left.slots["snare"] == (0, 1, 2)
    assert ids_of(left) == [[0, 1], [2]]
    assert arrange.choose_main(left, "snare", 2).slots["snare"] == (2, 0, 1)


def test_the_last_stroke_leaves_an_empty_slot_with_nothing_said_of_it() -> None:
    kit = Kit(slots={"snare": (1,)}, locked=frozenset({"snare"})).with_level("snare", -2.0)
    assert arrange.drop_stroke(kit, "snare", 1) == Kit()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda: arrange.add_stroke(KIT, "snare", 2), "in the kit already, in slot snare"),
        (lambda: arrange.add_stroke(KIT, "kick", 9), "slot kick is empty"),
        (lambda: arrange.drop_stroke(KIT, "snare", 9), "does not hold hit 9"),
        (lambda: arrange.move_stroke(KIT, "snare", 0, 4, hits=HITS), "must be between 0 and 3"),
    ],
)
def test_what_cannot_be_arranged_is_refused_in_words(change, words: str) -> None:
    with pytest.raises(KitError, match=words):
        change()


def test_more_layers_than_a_hand_can_tell_are_refused() -> None:
    n = MAX_LAYERS + 1
    hits = {i: make_hit(i, loudness=-60.0 + 6 * i, **WHERE) for i in range(n)}
    layers = {"snare": (*((i,) for i in range(n - 2)), (n - 2, n - 1))}
    kit = Kit(slots={"snare": tuple(range(n))}, arranged=layers)
    with pytest.raises(KitError, match=f"{n} layers: a hand can tell {MAX_LAYERS} at most"):
        arrange.move_stroke(kit, "snare", n - 1, MAX_LAYERS, hits=hits)
