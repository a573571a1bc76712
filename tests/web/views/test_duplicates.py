"""The part "Copies": what is sent, what actions do, what is confirmed before files move."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from dataclasses import replace

import pytest

from catalog.duplicates.cached import UNCERTAIN_RELATION
from catalog.kit.model import Kit
from catalog.library.files import set_aside
from catalog.web.api.find import describe_now
from catalog.web.labels import inert
from catalog.web.state import page
from catalog.web.tab import Tab
from catalog.web.views import actions
from tests.web.pages import data_of, hit_id, open_part, press, shown

EVIDENCE = 0.95  # of a pair left open


def leave_open(first: int, second: int) -> None:
    """Store a pair that the samples did not decide."""
    catalog = page().catalog
    catalog.copies()
    rows, key = catalog.context.store.group_cache.read()
    changed = [*rows, (first, ((second, UNCERTAIN_RELATION, EVIDENCE),))]
    catalog.context.store.group_cache.save(changed, key=key)


def run_action(action: object) -> dict:
    """Run what the browser sends as an action, and return the session after it."""
    session: dict = {"copies": {"action": action}}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(actions.st, "session_state", session)
        actions.run_action(page().catalog, "copies")
    del session["copies"]
    return session


def open_copies(session: dict | None = None) -> tuple:
    """Return the page, the groups and the uncertain pairs that it shows."""
    app = open_part("duplicates", **(session or {}))
    data = data_of(app, "copies")
    return app, data["groups"], data["pairs"]


def aside_ids() -> list[int]:
    return [hit.id for hit in page().catalog.hits(states=("aside",))]


def test_a_group_is_sent_with_relation_reason_and_evidence_and_set_aside(own):
    before = own.files()
    app, groups, _ = open_copies()
    assert len(groups) == 2
    for group in groups:
        assert group["relation"] == "The same recording in 2 files"
        assert group["reason"].startswith("kept: ")
        (other,) = group["others"]
        assert "samples agree to 100.0 %" in other["words"]
        assert (other["kits"], other["stuck"]) == ([], "")
        assert "path" not in other
    app.session_state["tab"].picked_copies = [other["id"]]
    app.run()
    press(app, "aside")
    press(app, "aside_yes")
    assert [path.stem for path in before.keys() - own.files().keys()] == [other["name"]]
    press(app, "Restore")
    assert own.files() == before


def test_the_file_that_the_user_chooses_is_kept(own):
    snare = hit_id("snare_1")
    (before,) = [g for g in page().catalog.copies() if snare in (g.keep, *g.others)]
    run_action({"op": "keep", "id": before.others[0]})
    (now,) = [group for group in open_copies()[1] if group["keep"]["id"] == before.others[0]]
    assert (now["others"][0]["id"], now["reason"]) == (before.keep, "kept: your choice")


def test_an_uncertain_pair_is_answered_and_the_answer_undone(own):
    ids = {"first": hit_id("tom_1"), "second": hit_id("tom_2")}
    leave_open(*ids.values())
    (pair,) = open_copies()[2]
    assert {pair["first"]["id"], pair["second"]["id"]} == set(ids.values())
    assert "agree to 95.0 %" in pair["words"]
    run_action({"op": "same"} | ids)
    _, groups, pairs = open_copies()
    assert (pairs, len(groups)) == ([], 3)
    app, groups, pairs = open_copies(run_action({"op": "differ"} | ids))
    assert (pairs, len(groups)) == ([], 2)
    press(app, "undo_verdict")  # back to the answer before
    assert len(data_of(app, "copies")["groups"]) == 3
    page().catalog.undo()
    assert len(open_copies()[2]) == 1


def test_an_accepted_group_moves_its_files_and_nothing_else(own):
    (group, other) = page().catalog.copies()
    session = run_action({"op": "accept", "ids": list(group.others)})
    assert session["tab"].notice == "1 file set aside; undo it below."
    assert aside_ids() == list(group.others)
    assert page().catalog.copies() == [other]
    page().catalog.hit(other.others[0]).path.unlink()
    session = run_action({"op": "accept", "ids": list(other.others)})
    assert "no longer exists" in session["tab"].action_error
    assert aside_ids() == list(group.others)


def test_actions_that_the_page_never_sends_are_ignored(used):
    for action in (
        None, "accept", {"op": "no such"}, {"op": "keep"}, {"op": "accept", "ids": 3},
        {"op": "keep", "id": "x"}, {"op": "same", "first": 1},
    ):  # fmt: skip
        left = run_action(action).get("tab", Tab())
        assert replace(left, name="") == Tab(name="")  # each tab gets a random name
    assert page().catalog.history() == []


def test_a_file_that_a_saved_kit_needs_is_set_aside_only_if_confirmed(own):
    (group, _) = page().catalog.copies()
    (other,) = group.others
    page().catalog.kits.save(Kit(slots={"snare": (other,)}), "Loft kit")
    session = run_action({"op": "accept", "ids": [other]})
    assert aside_ids() == []
    app, *_ = open_copies(session)
    assert "Saved kits need these" in shown(app)
    assert "Loft kit" in shown(app)
    assert app.button(key="aside_yes").disabled
    app.checkbox(key="aside_needed").check().run()
    press(app, "aside_yes")
    assert aside_ids() == [other]


def test_the_file_that_gets_the_annotations_is_named_before_anything_moves(own):
    catalog = page().catalog
    original = catalog.hits()[0]
    shutil.copy(original.path, own.folder / "again.wav")
    own.scan()
    other = hit_id("again")
    (keep,) = (g.keep for g in catalog.copies() if other in g.others)
    catalog.annotations.annotate([other], remark="soft")
    app, *_ = open_copies(run_action({"op": "accept", "ids": [other]}))
    text = shown(app)
    assert "What you noted goes to the file that stays" in text
    assert f"again to {inert(catalog.hit(keep).name)}" in text
    assert aside_ids() == []
    press(app, "aside_yes")
    assert (aside_ids(), catalog.hit(keep).remark) == ([other], "soft")


def test_a_file_that_cannot_be_moved_is_hidden_instead_and_restored(own, monkeypatch):
    catalog = page().catalog
    (group, _) = catalog.copies()
    (other,) = group.others
    monkeypatch.setattr(set_aside, "immovable_reason", lambda path: "its folder is read-only")
    app, *_ = open_copies(run_action({"op": "accept", "ids": [other]}))
    assert "its folder is read\\-only" in shown(app)
    app.checkbox(key="aside_hidden").check().run()
    press(app, "aside_yes")
    assert catalog.hit(other).state == "hidden"
    assert catalog.hit(other).path.is_file()
    app.run()
    press(app, "Restore")
    assert catalog.hit(other).state == "here"


def test_steps_are_undone_in_any_order_but_never_over_another_file(own):
    catalog, before = page().catalog, own.files()
    for group in catalog.copies():
        catalog.set_aside(group.others, reason="test")
    app = open_part("duplicates")
    press(app, f"back_{catalog.history()[0].step}")
    assert len(aside_ids()) == 1
    press(app, "undo_all")
    assert own.files() == before

    hostile = next(hit for hit in catalog.hits() if "<img" in hit.name)
    (event,) = catalog.set_aside([hostile.id], reason="test")
    event.source.write_bytes(b"something new")
    app.run()
    line = next(part.value for part in app.markdown if "img src" in part.value)
    assert r"\<img src=x" in line
    assert "\u202e" not in line
    press(app, f"back_{event.step}")
    warnings = [warning.value.replace("\\", "") for warning in app.warning]
    assert any("another file is there now" in warning for warning in warnings)
    assert event.source.read_bytes() == b"something new"
    assert catalog.hit(event.hit_id).state == "aside"


def test_the_warning_of_an_interrupted_move_is_shown_until_it_is_dismissed(own):
    store = page().catalog.context.store
    store.database.save_setting("move_warnings", ["/kick.wav: cannot be moved (no space left)"])
    assert "cannot be moved" in describe_now()["warning"]
    app = open_part("duplicates")
    assert any("cannot be moved" in warning.value for warning in app.warning)
    press(app, "Dismiss the warnings")
    assert not any("cannot be moved" in warning.value for warning in app.warning)
    assert page().catalog.files.warnings() == []


def test_a_file_changed_in_the_aside_folder_is_restored_as_it_is_from_the_page(own):
    catalog = page().catalog
    hit = catalog.hits()[0]
    catalog.set_aside([hit.id], reason="test")
    catalog.hit(hit.id).path.write_bytes(b"EDITED")
    app = open_part("duplicates")
    press(app, "Restore all (1)")
    assert any("has changed since it was set aside" in warning.value for warning in app.warning)
    assert not hit.path.exists()
    press(app, "Restore the changed files as they are")
    assert hit.path.read_bytes() == b"EDITED"
    assert any("scan again to measure" in success.value for success in app.success)


def test_a_damaged_verdict_is_named_on_the_page(own):
    catalog = page().catalog
    first, second = (hit.id for hit in catalog.hits()[:2])
    catalog.duplicates.set_verdict(first, second, False)
    with contextlib.closing(sqlite3.connect(catalog.store_path)) as db, db:
        db.execute("UPDATE verdict SET same = 1")
    app = open_part("duplicates")
    assert not app.exception
    assert any("a verdict on two hits is damaged" in error.value for error in app.error)


def test_damaged_words_of_a_hit_in_use_are_named_on_the_page(own):
    catalog = page().catalog
    hit = catalog.hits()[0].id
    assert describe_now()["warning"] == ""
    with contextlib.closing(sqlite3.connect(catalog.store_path)) as db, db:
        db.execute("UPDATE hit SET remark = 'x' WHERE id = ?", (hit,))
    catalog.hit(hit)
    assert f"what you wrote about hit {hit}" in describe_now()["warning"]
    app = open_part("duplicates")
    assert any(f"what you wrote about hit {hit}" in error.value for error in app.error)
