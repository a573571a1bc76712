"""The kit that is being built: each change is an undo step, stored, and refused with a reason."""

from __future__ import annotations

import pytest

from catalog import Catalog
from catalog.errors import CatalogError, KitError
from catalog.kit.model import Kit
from catalog.kit.slots import TOMS
from catalog.web.kit_session.actions import apply_action
from catalog.web.kit_session.payload import describe_kit
from catalog.web.kit_session.saving import delete_kit, rename_kit, save_kit
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

    first, second, third = ids_of(session, "snare")[:3]
    kit = apply("assign", id=first)
    assert (kit.slots, kit.locked) == ({"snare": (first,)}, {"snare"})
    kit = apply("assign", slot="snare_2", id=first)  # a hit is never in two slots
    assert (kit.slots, kit.locked) == ({"snare_2": (first,)}, {"snare_2"})
    assert apply("assign", id=second).slots["snare"] == (second,)
    with pytest.raises(KitError, match="Snare is locked; unlock it to put another hit there"):
        apply("assign", id=third)
    with pytest.raises(KitError, match="locked"):
        apply("swap")
    assert "snare" not in apply("lock").locked
    assert apply("swap").slots["snare"][0] != second
    assert apply("back").slots["snare"] == (second,)
    with pytest.raises(KitError, match="held no other hit before"):
        apply("back")
    assert "snare" not in apply("clear").slots


def test_the_rest_is_filled_from_one_session_and_other_slots_stay_empty(session):
    by_role = {hit.role: hit for hit in session.catalog.hits()}
    place = by_role["crash"].session
    roles = {hit.role for hit in session.catalog.hits() if hit.session == place}
    slots = [role for role in ("kick", "snare", "crash") if role in by_role]
    apply_action(session, {"op": "fill", "slots": slots, "session": place})
    assert set(session.kit.slots) == roles & set(slots)
    assert {session.catalog.hit(ids[0]).session for ids in session.kit.slots.values()} == {place}
    apply_action(session, {"op": "start_over"})
    apply_action(session, {"op": "fill", "slots": [], "session": place})
    toms = [name for name in TOMS if name in session.kit.slots]
    drums = {
        hit.drum for hit in session.catalog.hits() if (hit.role, hit.session) == ("tom", place)
    }
    assert len(toms) == min(len(drums), len(TOMS))
    with pytest.raises(CatalogError, match="nowhere"):
        apply_action(session, {"op": "fill", "slots": slots, "session": "nowhere"})


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


@pytest.fixture
def other(session, used):
    """The same draft in another server of the page."""
    with Catalog.open(used.store) as catalog:
        yield KitSession.load(catalog)


@pytest.fixture
def named(session):
    """The session with a kit that is saved as "evening"; all saved kits are deleted afterwards."""
    apply_action(session, FILL)
    save_kit(session, "evening", shown=session.kit)
    yield session
    for kit in session.catalog.kits.saved():
        session.catalog.kits.delete(kit.name)


def level_of(catalog: Catalog, name: str) -> float:
    return next(kit for kit in catalog.kits.saved() if kit.name == name).level_db.get("snare", 0.0)


def set_level(session: KitSession, level_db: float) -> None:
    apply_action(session, {"op": "level", "slot": "snare", "level_db": level_db})


def test_two_servers_of_the_page_change_one_draft(session, other):
    apply_action(session, FILL)
    revision = other.revision
    other.refresh()
    assert other.kit == session.kit
    assert other.revision > revision
    set_level(other, -3.0)
    apply_action(session, {"op": "level", "slot": "kick", "level_db": -1.0})
    assert session.kit.level_db == {"snare": -3.0, "kick": -1.0}
    assert session.last_change.label == "level of kick"


def test_a_change_that_another_server_saves_meanwhile_is_made_again(session, other):
    apply_action(session, FILL)
    waiting = [lambda: set_level(other, -3.0)]

    def change() -> None:
        if waiting:
            waiting.pop()()
        session.put(session.kit.with_level("kick", -1.0), "level of kick")

    session.change(change)
    assert session.kit.level_db == {"snare": -3.0, "kick": -1.0}
    other.refresh()
    assert other.kit == session.kit


@pytest.mark.parametrize("op", ["undo", "redo", "choose", "lock", "keep"])
def test_a_tab_that_shows_an_older_kit_does_not_revert_what_another_did(session, op):
    apply_action(session, FILL | {"tab": "a"})
    shown = session.revision
    apply_action(session, {"op": "lock", "slot": "snare", "tab": "b", "revision": shown})
    before = session.kit
    action = {"op": op, "slot": "snare", "k": 0, "tab": "a", "revision": shown}
    with pytest.raises(KitError, match="was changed in another tab or program meanwhile"):
        apply_action(session, action)
    assert session.kit == before
    apply_action(session, action | {"revision": session.revision})


def test_presses_that_follow_each_other_quickly_in_one_tab_all_count(session):
    apply_action(session, FILL)
    shown = session.revision
    for level_db in (-1.0, -2.0):
        action = {"op": "level", "slot": "snare", "level_db": level_db}
        apply_action(session, action | {"tab": "a", "revision": shown})
    for _ in range(2):  # sent before the answer to the first
        apply_action(session, {"op": "undo", "tab": "a", "revision": shown})
    assert session.kit.level_db == {}


def test_a_kit_that_was_opened_here_is_saved_again(named):
    set_level(named, -3.0)
    save_kit(named, "evening", shown=named.kit)
    assert level_of(named.catalog, "evening") == -3.0
    apply_action(named, {"op": "start_over"})
    apply_action(named, {"op": "open", "name": "evening"})
    set_level(named, -4.0)
    save_kit(named, "evening", shown=named.kit)
    assert level_of(named.catalog, "evening") == -4.0


def test_another_kit_of_that_name_is_replaced_only_on_the_second_press(named):
    named.catalog.kits.save(Kit(slots={"kick": (1,)}), "night")
    with pytest.raises(KitError, match="a kit is named “night” already; press Save once more"):
        save_kit(named, "night", shown=named.kit)
    saved = {kit.name: kit.slots for kit in named.catalog.kits.saved()}
    assert saved["night"] == {"kick": (1,)}
    save_kit(named, "night", shown=named.kit)
    assert named.kit.name == "night"
    assert {kit.name: kit.slots for kit in named.catalog.kits.saved()}["night"] == named.kit.slots


def test_what_a_command_changed_is_not_overwritten_without_a_word(named, used):
    with Catalog.open(used.store) as catalog:
        catalog.kits.change("evening", lambda kit: kit.with_level("snare", -6.0))
    set_level(named, -3.0)
    with pytest.raises(KitError, match="“evening” was changed by another tab or program meanwhile"):
        save_kit(named, "evening", shown=named.kit)
    assert level_of(named.catalog, "evening") == -6.0
    save_kit(named, "evening", shown=named.kit)
    assert level_of(named.catalog, "evening") == -3.0


def test_a_kit_that_a_command_deleted_comes_back_only_as_a_new_one(named, used):
    with Catalog.open(used.store) as catalog:
        catalog.kits.delete("evening")
    with pytest.raises(KitError, match="“evening” was deleted or renamed meanwhile"):
        save_kit(named, "evening", shown=named.kit)
    assert named.catalog.kits.saved() == []
    save_kit(named, "evening", shown=named.kit)
    assert [kit.name for kit in named.catalog.kits.saved()] == ["evening"]


def test_a_kit_that_changed_after_it_was_drawn_is_not_saved(named, other):
    shown = named.kit
    set_level(other, -5.0)
    with pytest.raises(KitError, match="was changed in another tab or program meanwhile"):
        save_kit(named, "evening", shown=shown)
    assert level_of(named.catalog, "evening") == 0.0


def test_a_kit_that_was_renamed_or_deleted_here_is_saved_without_a_question(named, used):
    rename_kit(named, "evening", "night")
    assert named.kit.name == "night"
    with Catalog.open(used.store) as catalog:  # also after a restart
        loaded = KitSession.load(catalog)
        set_level(loaded, -2.0)
        save_kit(loaded, "night", shown=loaded.kit)
        assert level_of(catalog, "night") == -2.0
    named.refresh()
    delete_kit(named, "night")
    save_kit(named, "night", shown=named.kit)
    assert [kit.name for kit in named.catalog.kits.saved()] == ["night"]


def test_the_levels_of_a_slot_rise_with_velocity_and_end_at_that_of_its_loudest_stroke(session):
    apply_action(session, FILL)
    apply_action(session, {"op": "layers"})
    slot = next(s for s in describe_kit(session)["slots"] if s["slot"] == "snare")
    assert len(slot["levels"]) == len(slot["hits"]) > 1
    for stroke in slot["levels"]:
        levels = [level for _, level in stroke["points"]]
        assert levels == sorted(levels)
    top = {
        points[-1][1] for points in (s["points"] for s in slot["levels"]) if points[-1][0] == 127
    }
    assert top == {max(level for s in slot["levels"] for _, level in s["points"])}
    assert max(stroke["recorded"] for stroke in slot["levels"]) == pytest.approx(*top, abs=0.02)
