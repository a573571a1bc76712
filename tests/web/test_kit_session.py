"""The kit on the table: every change is a step, kept in the store, refused in words."""

from __future__ import annotations

import json

import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.errors import CatalogError, KitError
from catalog.kit.model import Kit
from catalog.web.kit_session.actions import apply_action
from catalog.web.kit_session.payload import describe_kit
from catalog.web.kit_session.session import STEPS_KEPT, KitSession, Step
from tests.web.conftest import make_stroke

PLACES = ["kick", "snare", "crash"]


@pytest.fixture
def session(own):
    with Catalog.open(own.store) as catalog:
        yield KitSession.load(catalog)


def of_role(session, role: str) -> list[int]:
    return sorted(hit.id for hit in session.catalog.hits() if hit.role == role)


def test_the_table_is_there_again_when_the_store_is_opened_again(session, own):
    apply_action(session, {"op": "fill", "slots": PLACES})
    apply_action(session, {"op": "level", "slot": "snare", "level_db": -3.0})
    apply_action(session, {"op": "undo"})
    before = describe_kit(session)
    assert before["redo"] == "level of snare"
    with Catalog.open(own.store) as catalog:
        again = KitSession.load(catalog)
        after = describe_kit(again)
        assert after.pop("revision") > before.pop("revision")
        assert after == before
        apply_action(again, {"op": "redo"})
        assert again.kit.level_db == {"snare": -3.0}


def test_a_hit_goes_from_place_to_place_and_never_lies_in_two(session):
    snare = of_role(session, "snare")[0]
    apply_action(session, {"op": "assign", "slot": "snare", "id": snare})
    apply_action(session, {"op": "assign", "slot": "snare_2", "id": snare})
    assert session.kit.slots == {"snare_2": (snare,)}
    assert session.kit.locked == {"snare_2"}


def test_next_best_and_back_come_to_the_same_hit(session):
    apply_action(session, {"op": "fill", "slots": PLACES})
    first = session.kit.slots["snare"]
    apply_action(session, {"op": "swap", "slot": "snare"})
    assert session.kit.slots["snare"] != first
    apply_action(session, {"op": "back", "slot": "snare"})
    assert session.kit.slots["snare"] == first
    with pytest.raises(KitError, match="held no other hit before"):
        apply_action(session, {"op": "back", "slot": "snare"})


def test_another_whole_kit_is_told_by_its_number_and_keeps_what_is_locked(session):
    kick = of_role(session, "kick")[0]
    apply_action(session, {"op": "assign", "slot": "kick", "id": kick})
    apply_action(session, {"op": "fill", "slots": PLACES})
    told = describe_kit(session)
    assert told["chosen"] == 0
    assert told["choices"] > 1
    apply_action(session, {"op": "choose", "k": 1})
    assert describe_kit(session)["chosen"] == 1
    assert session.kit.slots["kick"][0] == kick
    with pytest.raises(KitError, match="no such kit is offered"):
        apply_action(session, {"op": "choose", "k": 99})


@pytest.mark.parametrize(
    "act",
    [
        {"op": "explode", "slot": "snare"},
        {"op": "assign", "slot": "nowhere", "id": 1},
        {"op": "assign", "slot": "snare"},
        {"op": "assign", "slot": "snare", "id": 10**9},
        {"op": "level", "slot": "snare", "level_db": "loud"},
        {"op": "open", "name": "never kept"},
        {},
    ],
)
def test_what_is_not_understood_changes_nothing(session, act):
    before = session.kit
    with pytest.raises(CatalogError):
        apply_action(session, act)
    assert session.kit == before


def test_a_hit_that_is_gone_is_left_out_of_what_is_shown(session, own):
    kick = of_role(session, "kick")[0]
    kit = Kit(slots={"snare": (10**9,), "kick": (kick, 10**9)})
    shown = describe_kit(KitSession(session.catalog, [Step(kit, "")]))
    assert [slot["slot"] for slot in shown["slots"]] == ["kick"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"steps": [], "words": [], "at": 0}', "\x00"])
def test_a_saved_session_that_cannot_be_read_is_a_new_one(session, text: str):
    session.catalog.kits.save_draft(text)
    assert not KitSession.load(session.catalog).kit.slots


def test_the_oldest_steps_are_forgotten_first(session):
    apply_action(session, {"op": "fill", "slots": PLACES})
    for _ in range(STEPS_KEPT + 3):
        apply_action(session, {"op": "lock", "slot": "snare"})
    assert session.n_steps == STEPS_KEPT


def test_a_page_tells_and_changes_the_kit_by_its_routes(own_client, own):
    with Catalog.open(own.store) as catalog:
        snare = of_role(KitSession.load(catalog), "snare")[0]
    body = json.dumps({"op": "assign", "slot": "snare", "id": snare}).encode()
    answer = own_client.post("/api/kit/action", body)
    assert answer.status_code == 200
    assert own_client.get("/api/kit").json() == answer.json()
    assert answer.json()["slots"][0]["notes"] == [38, 40]  # General MIDI 1: both snares
    refused = own_client.post("/api/kit/action", b'{"op": "swap", "slot": "snare"}')
    assert refused.status_code == 400
    assert b"locked" in refused.content
    assert own_client.post("/api/kit/action", b"[1]").status_code == 400
    assert own_client.get("/api/kit/strokes/nowhere").status_code == 404


def test_a_phrase_is_told_in_seconds_and_a_file_that_is_no_midi_refused(own_client):
    for op in ({"op": "fill", "slots": ["kick", "snare", "hat_closed"]},):
        own_client.post("/api/kit/action", json.dumps(op).encode())
    names = [one["name"] for one in own_client.get("/api/phrases").json()]
    for name in names:
        told = own_client.get(f"/api/phrase/{name.replace(' ', '%20')}")
        if told.status_code == 400:
            continue  # a phrase for places that this kit has not
        times = [event["time_s"] for event in told.json()["events"]]
        assert times == sorted(times)
        assert told.json()["length_s"] > times[-1]
    assert own_client.get("/api/phrase/two%20bars").status_code == 200
    noise = encode_wav(make_stroke("snare", 1), sr=44100)
    assert own_client.post("/api/phrase", noise).status_code == 400
