"""The “?” on the page shows the guides."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest

from catalog.guide import list_subjects, read_guide


def draw() -> None:
    from catalog.web.views.guide import draw_guide_button

    draw_guide_button()


def open_guides() -> AppTest:
    app = AppTest.from_function(draw).run()
    app.button[0].click().run()
    assert not app.exception
    return app


def test_nothing_is_shown_before_the_button_is_pressed():
    app = AppTest.from_function(draw).run()
    assert [button.label for button in app.button] == ["?"]
    assert not app.markdown


def test_the_button_offers_every_guide_and_shows_the_chosen_one():
    app = open_guides()
    assert app.selectbox[0].options == list(list_subjects().values())
    assert app.markdown[0].value == read_guide("page").strip()
    app.selectbox[0].select("kits").run()
    assert app.markdown[0].value == read_guide("kits").strip()
