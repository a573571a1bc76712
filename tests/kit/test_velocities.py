"""Manual changes of layers are kept, and no stroke is lost or doubled."""

import pytest

from catalog.errors import KitError
from catalog.kit import velocities
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


def test_layers_are_cut_by_strength_until_a_stroke_is_moved():
    assert ids_of(KIT) == [[0, 1], [2], [3]]
    moved = velocities.move_stroke(KIT, "snare", 0, layer=1, hits=HITS)
    assert ids_of(moved) == [[1], [2, 0], [3]]
    assert ids_of(velocities.sort_by_strength(moved, "snare")) == ids_of(KIT)
    assert Kit.from_json(moved.to_json()) == moved


def test_a_stroke_moves_to_a_new_layer_below_or_above():
    assert ids_of(velocities.move_stroke(KIT, "snare", 1, layer=0, hits=HITS, apart=True))[0] == [1]
    assert ids_of(velocities.move_stroke(KIT, "snare", 1, layer=3, hits=HITS))[-1] == [1]


def test_arranged_layers_cover_every_velocity_once_and_are_exported():
    moved = velocities.move_stroke(KIT, "snare", 3, layer=0, hits=HITS)
    layers = layers_of(moved, "snare", HITS)
    played = [v for layer in layers for v in range(layer.lowest, layer.highest + 1)]
    assert played == list(range(1, 128))
    plan = plan_export(moved, HITS, "kit", read=make_stroke)
    weakest = {file.hit_id for file in plan.audio if file.lowest == 1}
    assert weakest == {0, 1, 3}


def test_an_added_stroke_joins_the_layer_nearest_to_it():
    few = Kit(slots={"snare": (3, 0, 2)})
    kept = velocities.keep_layers(few, "snare", hits=HITS)
    assert ids_of(velocities.add_stroke(kept, "snare", 1)) == [[0, 1], [2], [3]]
    assert add_layers(kept, list(HITS.values())).slots == few.slots  # kept slots do not change


def test_the_next_stroke_becomes_the_main_one_when_that_is_removed():
    kept = velocities.keep_layers(KIT, "snare", hits=HITS)
    left = velocities.drop_stroke(kept, "snare", 3)
    assert left.slots["snare"] == (0, 1, 2)
    assert ids_of(left) == [[0, 1], [2]]
    assert velocities.choose_main(left, "snare", 2).slots["snare"] == (2, 0, 1)


def test_removing_the_last_stroke_clears_the_settings_of_the_slot():
    kit = Kit(slots={"snare": (1,)}, locked=frozenset({"snare"})).with_level("snare", -2.0)
    assert velocities.drop_stroke(kit, "snare", 1) == Kit()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda: velocities.add_stroke(KIT, "snare", 2), "in the kit already, in slot snare"),
        (lambda: velocities.add_stroke(KIT, "kick", 9), "slot kick is empty"),
        (lambda: velocities.drop_stroke(KIT, "snare", 9), "does not hold hit 9"),
        (lambda: velocities.move_stroke(KIT, "snare", 0, layer=4, hits=HITS), "between 0 and 3"),
    ],
)
def test_impossible_changes_are_refused(change, words):
    with pytest.raises(KitError, match=words):
        change()


def test_too_many_layers_are_refused():
    n = MAX_LAYERS + 1
    hits = {i: make_hit(i, loudness=-60.0 + 6 * i, **WHERE) for i in range(n)}
    layers = {"snare": (*((i,) for i in range(n - 2)), (n - 2, n - 1))}
    kit = Kit(slots={"snare": tuple(range(n))}, arranged=layers)
    with pytest.raises(KitError, match=f"{n} layers: a slot has {MAX_LAYERS} at most"):
        velocities.move_stroke(kit, "snare", n - 1, layer=MAX_LAYERS, hits=hits)
