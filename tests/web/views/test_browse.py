from __future__ import annotations

import json

from streamlit.testing.v1 import AppTest

from catalog.web.state import page, use_store
from tests.web.conftest import page_over
from tests.web.pages import SCRIPT, data_of, open_part, shown


def test_an_empty_catalog_explains_how_to_begin(tmp_path):
    with page_over(tmp_path / "new.sqlite"):
        app = open_part()
        assert "The catalog is empty" in shown(app)
        assert "catalog demo" in shown(app)
        assert [field.label for field in app.text_input] == ["Folder with recorded hits"]


def test_the_map_is_sent_by_its_address_and_narrowed_by_words(used):
    app = open_part()
    data = data_of(app, "listen")
    assert data["version"] == page().points().version
    assert len(json.dumps(data)) < 10_000  # larger messages are hashed at each rerun
    assert "damages hearing" in shown(app)
    app.text_input(key="q").set_value("snare shed").run()
    assert "2 hits of 23 match" in shown(app)
    app.text_input(key="q").set_value("snare session:shed length:0..9s").run()
    assert "hits of 23 match" in shown(app)
    app.text_input(key="q").set_value("length:long").run()
    assert "length: 'long' is not a range" in shown(app)
    assert not app.exception
    app.text_input(key="q").set_value("nothing has this name").run()
    assert "No hit matches" in shown(app)


def test_a_store_that_cannot_be_opened_is_reported(tmp_path):
    (tmp_path / "not a store.sqlite").write_text("something else altogether")
    use_store(tmp_path / "not a store.sqlite")
    app = AppTest.from_file(str(SCRIPT), default_timeout=60).run()
    use_store(None)
    assert not app.exception
    assert app.error
