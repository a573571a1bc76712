"""The kit that is being built: each change is an undo step, stored, and refused with a reason."""

from __future__ import annotations

import pytest

from catalog import Catalog
from catalog.errors import CatalogError, KitError
from catalog.kit.model import Kit
from catalog.web.kit_session.actions import apply_action
from catalog.web.kit_session.payload import describe_kit
from catalog.web.kit_session.session import STEPS_KEPT, KitSession, Step

FILL = {"op": "fill", "slots": ["kick", "snare", "crash"]}


@pytest.fixture
def session(used):
    with Catalog.open(used.store) as catalog:
        catalog.kits.save_draft("")
        yield KitSession.load(catalog)
        catalog.kits.save_draft("")


def ids_of(session, role: str) -> list[int]:
    return sorted(hit.id for hit in session.catalog.hits() if hit.role == role)


def test_the_session_is_the_same_after_a_restart(session, used):
    apply_action(session, FILL)
    apply_action(session, {"op": "level", "slot": "snare", "level_db": -3.0})
    apply_action(session, {"op": "undo"})
    before = describe_kit(session)
    assert before["redo"] == "level of snare"
    with Catalog.open(used.store) as catalog:
        loaded = KitSession.load(catalog)
        after = describe_kit(loaded)
        assert after.pop("revision") > before.pop("revision")
        assert after == before
        apply_action(loaded, {"op": "redo"})
        assert loaded.kit.level_db == {"snare": -3.0}


def test_a_slot_is_assigned_locked_swapped_and_cleared(session):
    def apply(op: str, slot: str = "snare", **values: object) -> Kit:
        apply_action(session, {"op": op, "slot": slot, **values})
        return session.kit

    first, second = ids_of(session, "snare")[:2]
    kit = apply("assign", id=first)
    assert (kit.slots, kit.locked) == ({"snare": (first,)}, {"snare"})
    kit = apply("assign", slot="snare_2", id=first)  # a hit is never in two slots
    assert (kit.slots, kit.locked) == ({"snare_2": (first,)}, {"snare_2"})
    assert apply("assign", id=second).slots["snare"] == (second,)
    with pytest.raises(KitError, match="locked"):
        apply("swap")
    assert "snare" not in apply("lock").locked
    assert apply("swap").slots["snare"][0] != second
    assert apply("back").slots["snare"] == (second,)
    with pytest.raises(KitError, match="held no other hit before"):
        apply("back")
    assert "snare" not in apply("clear").slots


def test_an_alternative_kit_keeps_locked_slots(session):
    kick = ids_of(session, "kick")[0]
    apply_action(session, {"op": "assign", "slot": "kick", "id": kick})
    apply_action(session, FILL)
    data = describe_kit(session)
    assert data["chosen"] == 0
    assert data["choices"] > 1
    apply_action(session, {"op": "choose", "k": 1})
    assert describe_kit(session)["chosen"] == 1
    assert session.kit.slots["kick"][0] == kick
    with pytest.raises(KitError, match="no such kit is offered"):
        apply_action(session, {"op": "choose", "k": 99})


@pytest.mark.parametrize(
    "action",
    [
        {"op": "explode", "slot": "snare"},
        {"op": "assign", "slot": "nowhere", "id": 1},
        {"op": "assign", "slot": "snare"},
        {"op": "assign", "slot": "snare", "id": 10**9},
        {"op": "level", "slot": "snare", "level_db": "loud"},
        {"op": "open", "name": "never saved"},
        {},
    ],
)
def test_an_action_that_is_not_understood_changes_nothing(session, action):
    before = session.kit
    with pytest.raises(CatalogError):
        apply_action(session, action)
    assert session.kit == before


def test_a_missing_hit_is_not_shown_in_the_kit(session):
    kick = ids_of(session, "kick")[0]
    kit = Kit(slots={"snare": (10**9,), "kick": (kick, 10**9)})
    data = describe_kit(KitSession(session.catalog, [Step(kit, "")]))
    assert [slot["slot"] for slot in data["slots"]] == ["kick"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"steps": [], "words": [], "at": 0}', "\x00"])
def test_a_saved_session_that_cannot_be_read_is_a_new_one(session, text: str):
    session.catalog.kits.save_draft(text)
    assert not KitSession.load(session.catalog).kit.slots


def test_the_oldest_steps_are_dropped_first(session):
    apply_action(session, FILL)
    for _ in range(STEPS_KEPT + 3):
        apply_action(session, {"op": "lock", "slot": "snare"})
    assert session.n_steps == STEPS_KEPT
