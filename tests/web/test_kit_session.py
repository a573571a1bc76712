"""The kit on the table: every change is a step, kept in the store, refused in words."""

from __future__ import annotations

import json

import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.errors import CatalogError, KitError
from catalog.kit.model import Kit
from catalog.web.kit_session.actions import take_act
from catalog.web.kit_session.payload import describe_kit
from catalog.web.kit_session.session import STEPS_KEPT, Draft, current_kit, open_draft
from tests.web.conftest import make_stroke

PLACES = ["kick", "snare", "crash"]


@pytest.fixture
def catalog(own):
    with Catalog.open(own.store) as one:
        yield one


def of_role(catalog, role: str) -> list[int]:
    return sorted(hit.id for hit in catalog.hits() if hit.role == role)


def test_the_table_is_there_again_when_the_store_is_opened_again(catalog, own):
    take_act(catalog, {"op": "fill", "places": PLACES})
    take_act(catalog, {"op": "level", "slot": "snare", "level_db": -3.0})
    take_act(catalog, {"op": "undo"})
    before = describe_kit(catalog, open_draft(catalog))
    assert before["redo"] == "level of snare"
    with Catalog.open(own.store) as again:
        after = describe_kit(again, open_draft(again))
        assert after.pop("revision") > before.pop("revision")
        assert after == before
        take_act(again, {"op": "redo"})
        assert current_kit(again).level_db == {"snare": -3.0}


def test_a_hit_goes_from_place_to_place_and_never_lies_in_two(catalog):
    snare = of_role(catalog, "snare")[0]
    take_act(catalog, {"op": "assign", "slot": "snare", "id": snare})
    take_act(catalog, {"op": "assign", "slot": "snare_2", "id": snare})
    assert current_kit(catalog).slots == {"snare_2": (snare,)}
    assert current_kit(catalog).locked == {"snare_2"}


def test_next_best_and_back_come_to_the_same_hit(catalog):
    take_act(catalog, {"op": "fill", "places": PLACES})
    first = current_kit(catalog).slots["snare"]
    take_act(catalog, {"op": "swap", "slot": "snare"})
    assert current_kit(catalog).slots["snare"] != first
    take_act(catalog, {"op": "back", "slot": "snare"})
    assert current_kit(catalog).slots["snare"] == first
    with pytest.raises(KitError, match="held no other hit before"):
        take_act(catalog, {"op": "back", "slot": "snare"})


def test_another_whole_kit_is_told_by_its_number_and_keeps_what_is_locked(catalog):
    kick = of_role(catalog, "kick")[0]
    take_act(catalog, {"op": "assign", "slot": "kick", "id": kick})
    take_act(catalog, {"op": "fill", "places": PLACES})
    told = describe_kit(catalog, open_draft(catalog))
    assert told["chosen"] == 0
    assert told["choices"] > 1
    take_act(catalog, {"op": "choose", "k": 1})
    assert describe_kit(catalog, open_draft(catalog))["chosen"] == 1
    assert current_kit(catalog).slots["kick"][0] == kick
    with pytest.raises(KitError, match="no such kit is offered"):
        take_act(catalog, {"op": "choose", "k": 99})


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
def test_what_is_not_understood_changes_nothing(catalog, act):
    before = current_kit(catalog)
    with pytest.raises(CatalogError):
        take_act(catalog, act)
    assert current_kit(catalog) == before


def test_a_hit_that_is_gone_is_left_out_of_what_is_shown(catalog, own):
    kick = of_role(catalog, "kick")[0]
    draft = Draft(steps=[Kit(slots={"snare": (10**9,), "kick": (kick, 10**9)})])
    assert [slot["slot"] for slot in describe_kit(catalog, draft)["slots"]] == ["kick"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"steps": [], "words": [], "at": 0}', "\x00"])
def test_a_draft_that_cannot_be_read_is_an_empty_table(text: str):
    assert not Draft.from_text(text).kit.slots


def test_the_oldest_steps_are_forgotten_first(catalog):
    take_act(catalog, {"op": "fill", "places": PLACES})
    for _ in range(STEPS_KEPT + 3):
        take_act(catalog, {"op": "lock", "slot": "snare"})
    assert len(open_draft(catalog).steps) == STEPS_KEPT


def test_a_page_tells_and_changes_the_kit_by_its_routes(own_client, own):
    with Catalog.open(own.store) as catalog:
        snare = of_role(catalog, "snare")[0]
    body = json.dumps({"op": "assign", "slot": "snare", "id": snare}).encode()
    answer = own_client.post("/api/kit/act", body)
    assert answer.status_code == 200
    assert own_client.get("/api/kit").json() == answer.json()
    assert answer.json()["slots"][0]["notes"] == [38, 40]  # General MIDI 1: both snares
    refused = own_client.post("/api/kit/act", b'{"op": "swap", "slot": "snare"}')
    assert refused.status_code == 400
    assert b"locked" in refused.content
    assert own_client.post("/api/kit/act", b"[1]").status_code == 400
    assert own_client.get("/api/kit/strokes/nowhere").status_code == 404


def test_a_phrase_is_told_in_seconds_and_a_file_that_is_no_midi_refused(own_client):
    for op in ({"op": "fill", "places": ["kick", "snare", "hat_closed"]},):
        own_client.post("/api/kit/act", json.dumps(op).encode())
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
