"""The page run by Streamlit's own test driver, without a browser."""

from __future__ import annotations

import json
from pathlib import Path

from streamlit.testing.v1 import AppTest

import catalog.web
from catalog.web.state import page

SCRIPT = Path(catalog.web.__file__).with_name("script.py")


def open_part(part: str | None = None, **state: object) -> AppTest:
    """Run the page with a part open, a key of `PARTS`, and with values in its session."""
    app = AppTest.from_file(str(SCRIPT), default_timeout=60)
    for key, value in state.items():
        app.session_state[key] = value
    if part:
        app.query_params["part"] = part
    app.run()
    assert not app.exception
    return app


def press(app: AppTest, label_or_key: str) -> None:
    """Press the button with this key or label."""
    next(b for b in app.button if label_or_key in (b.key, b.label)).click().run()
    assert not app.exception


def data_of(app: AppTest, view: str) -> dict:
    """Return what a view of the browser component was sent."""
    for element in app.get("bidi_component"):
        data = json.loads(element.proto.json or "{}") if element.proto.json else {}
        data = data.get("data", data)
        if data.get("view") == view:
            return data
    raise AssertionError(f"no view {view}")


def shown(app: AppTest) -> str:
    """Return the text on the page."""
    return "\n".join(str(part.value) for part in (*app.markdown, *app.caption, *app.header))


def hit_id(name: str) -> int:
    """Return the id of the hit with a name."""
    return next(hit.id for hit in page().catalog.hits() if hit.name == name)
