from __future__ import annotations

import json

from streamlit.testing.v1 import AppTest

from catalog.web import views
from catalog.web.server.scan_job import ScanState
from catalog.web.state import page, use_store
from catalog.web.views import first_start
from tests.web.conftest import page_over, write_library
from tests.web.pages import SCRIPT, data_of, open_part, press, shown


def test_an_empty_catalog_explains_how_to_begin(tmp_path):
    with page_over(tmp_path / "new.sqlite"):
        app = open_part()
        assert "The catalog is empty" in shown(app)
        assert {"Try the demo library", "Read the guides"} <= {b.label for b in app.button}
        assert [field.label for field in app.text_input] == ["Folder with recorded hits"]


def test_the_demo_is_opened_by_a_button_in_a_store_of_its_own(tmp_path, monkeypatch):
    places = tmp_path / "demo" / "library", tmp_path / "demo" / "demo.sqlite"
    few = tmp_path / "few"
    write_library(few)
    monkeypatch.setattr(first_start, "demo_places", lambda _: places)
    monkeypatch.setattr(first_start, "copy_demo", lambda _: few)
    own = tmp_path / "own.sqlite"
    with page_over(own):
        app = open_part()
        press(app, "Try the demo library")
        assert (page().store_path, page().is_demo) == (places[1], True)
        assert len(page().hits()) > 3
        app = open_part("recordings")
        assert any("demo library" in box.value for box in app.info)
        press(app, "Back to my library")
        assert (page().store_path, page().is_demo, page().hits()) == (own, False, [])


def test_the_store_is_not_exchanged_while_a_scan_writes_into_it(tmp_path, monkeypatch):
    with page_over(tmp_path / "own.sqlite"):
        monkeypatch.setattr(page().scans, "state", lambda: ScanState(status="running"))
        app = open_part()
        assert next(b for b in app.button if b.label == "Try the demo library").disabled
        page().is_demo = True
        assert next(b for b in open_part().button if b.label == "Back to my library").disabled


def test_only_the_open_part_is_drawn_and_no_hit_is_sent_with_the_page(used):
    data = data_of(open_part(), "workbench")
    assert len(json.dumps(data)) < 10_000  # larger messages are hashed at each rerun
    assert "damages hearing" in shown(open_part("recordings"))
    assert not open_part("kit").button


def test_a_store_that_cannot_be_opened_is_reported(tmp_path):
    (tmp_path / "not a store.sqlite").write_text("something else altogether")
    use_store(tmp_path / "not a store.sqlite")
    app = AppTest.from_file(str(SCRIPT), default_timeout=60).run()
    use_store(None)
    assert not app.exception
    assert app.error


def test_a_dropped_folder_is_entered_for_the_next_scan(monkeypatch):
    session: dict = {"workbench": {"folder": "/x/barn"}}
    monkeypatch.setattr(views.st, "session_state", session)
    views._take_folder()
    assert (session["bring_folder"], session["bring_section"]) == ("/x/barn", "folders")
