"""The part "History": acts are undone, warnings of interrupted moves are dismissed."""

from __future__ import annotations

import contextlib
import sqlite3

from catalog.web.api.find import describe_now
from catalog.web.state import page
from tests.web.pages import open_part, press, shown


def aside_ids() -> list[int]:
    return [hit.id for hit in page().catalog.hits(states=("aside",))]


def test_steps_are_undone_in_any_order_but_never_over_another_file(own):
    catalog, before = page().catalog, own.files()
    for group in catalog.copies():
        catalog.set_aside(group.others, reason="test")
    app = open_part("history")
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
    app = open_part("history")
    assert any("cannot be moved" in warning.value for warning in app.warning)
    press(app, "Dismiss the warnings")
    assert not any("cannot be moved" in warning.value for warning in app.warning)
    assert page().catalog.files.warnings() == []


def test_a_file_changed_in_the_aside_folder_is_restored_as_it_is_from_the_page(own):
    catalog = page().catalog
    hit = catalog.hits()[0]
    catalog.set_aside([hit.id], reason="test")
    catalog.hit(hit.id).path.write_bytes(b"EDITED")
    app = open_part("history")
    press(app, "Restore all (1)")
    assert any("has changed since it was set aside" in warning.value for warning in app.warning)
    assert not hit.path.exists()
    press(app, "Restore the changed files as they are")
    assert hit.path.read_bytes() == b"EDITED"
    assert any("scan again to measure" in success.value for success in app.success)


def test_damaged_words_of_a_hit_in_use_are_named_on_the_page(own):
    catalog = page().catalog
    hit = catalog.hits()[0].id
    assert describe_now()["warning"] == ""
    with contextlib.closing(sqlite3.connect(catalog.store_path)) as db, db:
        db.execute("UPDATE hit SET remark = 'x' WHERE id = ?", (hit,))
    catalog.hit(hit)
    assert f"what you wrote about hit {hit}" in describe_now()["warning"]
    app = open_part("history")
    assert any(f"what you wrote about hit {hit}" in error.value for error in app.error)


def test_what_was_learned_from_choices_is_shown_and_forgotten(own):
    catalog = page().catalog
    ids = [hit.id for hit in catalog.hits()[:10]]
    assert "Your taste" not in shown(open_part("history"))
    catalog.annotations.mark(ids[:1], "master")
    assert "1 choice so far; from 10 on" in shown(open_part("history"))
    catalog.annotations.mark(ids, "master")
    app = open_part("history")
    assert "Learned from 10 choices" in shown(app)
    press(app, "Forget")
    assert catalog.taste.report().n_choices == 0
    catalog.undo()
    assert catalog.taste.report().n_choices == 10
