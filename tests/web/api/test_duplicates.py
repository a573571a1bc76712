"""The queue of duplicates: what is sent, what is decided, what is asked before files move."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import time

import pytest

from catalog.duplicates.cached import UNCERTAIN_RELATION
from catalog.kit.model import Kit
from catalog.library.files import set_aside
from catalog.web.state import page
from tests.web.conftest import WAIT_S
from tests.web.pages import hit_id

EVIDENCE = 0.95  # of a pair left open


def leave_open(first: int, second: int) -> None:
    """Store a pair that the samples did not decide."""
    catalog = page().catalog
    catalog.copies()
    rows, key = catalog.context.store.group_cache.read()
    changed = [*rows, (first, ((second, UNCERTAIN_RELATION, EVIDENCE),))]
    catalog.context.store.group_cache.save(changed, key=key)


def read_queue(client) -> dict:
    """Return the queue once the search has ended."""
    end = time.monotonic() + WAIT_S
    while (queue := client.get("/api/duplicates").json())["running"]:
        assert time.monotonic() < end
        time.sleep(0.02)
    return queue


def aside_ids() -> list[int]:
    return [hit.id for hit in page().catalog.hits(states=("aside",))]


def set_aside_answer(client, ids, **answers: bool):
    return client.post_json("/api/duplicates/set-aside", {"ids": list(ids), "answers": answers})


def test_groups_are_sent_with_kind_reason_and_evidence_and_without_paths(own, own_client):
    queue = read_queue(own_client)
    assert len(queue["groups"]) == 2
    assert queue["pairs"] == []
    for group in queue["groups"]:
        assert (group["kind"], group["reason"][:6]) == ("certain", "kept: ")
        (other,) = group["others"]
        assert other["evidence"] == pytest.approx(1.0, abs=1e-3)
        assert other["folder"] == "Attic first sitting"
        assert other["bytes"] > 1000
    assert str(own.folder) not in own_client.get("/api/duplicates").content.decode()


def test_an_accepted_group_moves_its_files_and_nothing_else(own, own_client):
    (group, other) = page().catalog.copies()
    assert set_aside_answer(own_client, group.others).json() == {"text": "1 file set aside"}
    assert aside_ids() == list(group.others)
    answer = set_aside_answer(own_client, group.others)
    assert (answer.status_code, "is set aside already" in answer.content.decode()) == (400, True)
    page().catalog.hit(other.keep).path.unlink()
    answer = set_aside_answer(own_client, other.others)
    assert (answer.status_code, "Nothing was moved" in answer.content.decode()) == (400, True)
    assert aside_ids() == list(group.others)


def test_the_user_decides_which_file_is_kept_and_whether_a_pair_is_one_recording(own, own_client):
    (before, _) = page().catalog.copies()

    def decide(**action: object) -> dict:
        assert own_client.post_json("/api/duplicates/decide", action).status_code == 200
        return read_queue(own_client)

    queue = decide(op="keep", id=before.others[0])
    (now,) = [g for g in queue["groups"] if g["keep"]["id"] == before.others[0]]
    assert (now["others"][0]["id"], now["reason"]) == (before.keep, "kept: your choice")
    ids = {"first": hit_id("tom_1"), "second": hit_id("tom_2")}
    leave_open(*ids.values())
    page().catalog.set_role(hit_id("crash_1"), "ride")  # the catalog changes: search again
    (pair,) = read_queue(own_client)["pairs"]
    assert {pair["keep"]["id"], pair["others"][0]["id"]} == set(ids.values())
    assert (pair["kind"], pair["others"][0]["evidence"]) == ("doubt", EVIDENCE)
    assert len(decide(op="same", **ids)["groups"]) == 3
    assert len(decide(op="differ", **ids)["groups"]) == 2


@pytest.mark.parametrize(
    "action",
    [None, "accept", {"op": "no such"}, {"op": "keep"}, {"op": "keep", "id": "x"},
     {"op": "same", "first": 1}],
)  # fmt: skip
def test_decisions_that_the_page_never_sends_are_refused(client, action):
    for path in ("decide", "set-aside"):
        assert client.post_json(f"/api/duplicates/{path}", action).status_code in (400, 404)
    assert page().catalog.history() == []


def test_a_file_that_a_saved_kit_needs_is_set_aside_only_if_the_user_agrees(own, own_client):
    (group, _) = page().catalog.copies()
    (other,) = group.others
    page().catalog.kits.save(Kit(slots={"snare": (other,)}), "Loft kit")
    (question,) = set_aside_answer(own_client, [other]).json()["questions"]
    assert (question["kind"], "Loft kit" in question["lines"][0]) == ("kits", True)
    set_aside_answer(own_client, [other], kits=False)
    assert aside_ids() == []
    set_aside_answer(own_client, [other], kits=True)
    assert aside_ids() == [other]


def test_the_file_that_gets_the_annotations_is_named_before_anything_moves(own, own_client):
    catalog = page().catalog
    shutil.copy(catalog.hits()[0].path, own.folder / "again.wav")
    own.scan()
    other = hit_id("again")
    (keep,) = (g.keep for g in catalog.copies() if other in g.others)
    catalog.annotations.annotate([other], remark="soft")
    (question,) = set_aside_answer(own_client, [other]).json()["questions"]
    assert question == {"kind": "notes", "lines": [f"again to {catalog.hit(keep).name}"]}
    assert aside_ids() == []
    set_aside_answer(own_client, [other], notes=True)
    assert (aside_ids(), catalog.hit(keep).remark) == ([other], "soft")


def test_a_file_that_cannot_be_moved_is_hidden_only_if_the_user_agrees(
    own, own_client, monkeypatch
):
    catalog = page().catalog
    (group, _) = catalog.copies()
    (other,) = group.others
    monkeypatch.setattr(set_aside, "immovable_reason", lambda path: "its folder is read-only")
    (question,) = set_aside_answer(own_client, [other]).json()["questions"]
    assert (question["kind"], "read-only" in question["lines"][0]) == ("hide", True)
    assert set_aside_answer(own_client, [other], hide=True).json() == {"text": "1 hit hidden"}
    assert catalog.hit(other).state == "hidden"
    assert catalog.hit(other).path.is_file()


def test_a_damaged_verdict_is_named(own, own_client):
    catalog = page().catalog
    first, second = (hit.id for hit in catalog.hits()[:2])
    catalog.duplicates.set_verdict(first, second, False)
    with contextlib.closing(sqlite3.connect(catalog.store_path)) as db, db:
        db.execute("UPDATE verdict SET same = 1")
    assert "a verdict on two hits is damaged" in read_queue(own_client)["error"]
