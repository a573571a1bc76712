"""Undo on the page takes back what was done last, an act or a step of the kit, in their order."""

from __future__ import annotations

import pytest

from catalog.errors import CatalogError
from catalog.kit.model import Kit
from catalog.web.kit_session.session import KitSession
from catalog.web.state import page


@pytest.fixture
def hit_ids(own_client):
    """Return a kick and a snare of a page with an empty kit and no act that can be undone."""
    while own_client.post("/api/undo").json()["text"]:
        pass
    own_client.post_json("/api/kit/action", {"op": "start_over"})
    while own_client.post("/api/undo").json()["text"]:
        pass
    hits = page().catalog.hits()
    return [next(hit.id for hit in hits if hit.role == role) for role in ("kick", "snare")]


def put(client, slot, hit_id):
    body = {"op": "assign", "slot": slot, "id": hit_id, "tab": "a"}
    answer = client.post_json("/api/kit/action", body)
    assert answer.status_code == 200
    return answer.json()


def mark(client, hit_id, word):
    client.post_json("/api/annotate", {"ids": [hit_id], "mark": word})


def state(hit_ids):
    slots = page().kit_session.kit.slots
    return sorted(slots), [page().catalog.hit(hit_id).mark for hit_id in hit_ids]


def test_steps_and_acts_are_undone_and_done_again_in_the_order_they_happened(own_client, hit_ids):
    kick, snare = hit_ids
    states = [state(hit_ids)]
    for change in (
        lambda: put(own_client, "kick", kick),
        lambda: mark(own_client, kick, "master"),
        lambda: mark(own_client, snare, "spare"),
        lambda: put(own_client, "snare", snare),
        lambda: own_client.post_json("/api/kit/action", {"op": "lock", "slot": "kick"}),
        lambda: mark(own_client, kick, "spare"),
    ):
        change()
        states.append(state(hit_ids))
    texts = []
    for expected in reversed(states[:-1]):
        texts.append(own_client.post("/api/undo").json()["text"])
        assert state(hit_ids) == expected
    assert texts[1:3] == ["kit: lock or unlock kick", "kit: put a hit into snare"]
    assert texts[5] == "kit: put a hit into kick"
    assert own_client.post("/api/undo").json()["text"] == ""
    for expected in states[1:]:
        own_client.post("/api/redo")
        assert state(hit_ids) == expected
    assert own_client.post("/api/redo").json()["text"] == ""


def test_what_is_done_anew_drops_what_could_be_done_again_of_both(own_client, hit_ids):
    kick, snare = hit_ids
    put(own_client, "kick", kick)
    own_client.post("/api/undo")
    mark(own_client, snare, "master")
    assert own_client.post("/api/redo").json()["text"] == ""
    own_client.post("/api/undo")
    put(own_client, "snare", snare)
    assert own_client.post("/api/redo").json()["text"] == ""
    assert state(hit_ids) == (["snare"], ["", ""])


def test_the_last_entries_are_listed_in_their_order_with_what_comes_next(own_client, hit_ids):
    kick, snare = hit_ids
    mark(own_client, kick, "master")
    acts = put(own_client, "kick", kick)["acts"]
    first, second = acts["list"][:2]
    assert (first["text"], second["text"][:4]) == ("kit: put a hit into kick", "mark")
    assert acts["undo"]["text"] == "kit: put a hit into kick"
    assert acts["undo"]["when"]
    mark(own_client, snare, "spare")
    now = own_client.get("/api/now").json()["acts"]
    assert now["undo"]["text"].startswith("mark")
    own_client.post("/api/undo")
    now = own_client.get("/api/now").json()["acts"]
    assert (now["undo"]["text"], now["redo"]["text"][:4]) == ("kit: put a hit into kick", "mark")


def test_a_tab_that_shows_another_kit_cannot_undo_its_last_step(own_client, hit_ids):
    old = page().kit_session.revision
    put(own_client, "kick", hit_ids[0])
    answer = own_client.post(f"/api/undo?tab=b&revision={old}")
    assert answer.status_code == 404
    assert b"changed in another tab" in answer.content
    assert state(hit_ids)[0] == ["kick"]
    assert own_client.post(f"/api/undo?tab=a&revision={old}").json()["kit"]


def test_the_order_survives_a_restart(own_client, hit_ids):
    mark(own_client, hit_ids[0], "master")
    put(own_client, "kick", hit_ids[0])
    again = KitSession.load(page().catalog)
    assert again.last_change == page().kit_session.last_change
    assert again.last_change.after > 0


def test_steps_of_an_older_version_come_before_all_acts(own_client, hit_ids):
    mark(own_client, hit_ids[0], "master")
    text = page().kit_session.to_text().replace('"order"', '"unknown"')
    page().catalog.kits.save_draft(text)
    session = KitSession.load(page().catalog)
    session.change(lambda: session.put(Kit(slots={"kick": (hit_ids[0],)}), "x"))
    assert session.last_change.after > 0
    with pytest.raises(CatalogError, match="changed in another tab"):
        session.check_is_shown(session.revision + 1, tab="z")
