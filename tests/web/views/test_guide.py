"""The “?” on the page shows the guides."""

from __future__ import annotations

import re

from streamlit.testing.v1 import AppTest

from catalog.guide import list_subjects, read_guide


def draw_button() -> None:
    from catalog.web.views.guide import draw_guide_button

    draw_guide_button()


def draw_content() -> None:
    from catalog.web.views.guide import draw_guides

    draw_guides()


def test_the_guides_are_shown_once_the_button_is_pressed():
    app = AppTest.from_function(draw_button).run()
    assert [button.label for button in app.button] == ["?"]
    assert not app.markdown
    app.button[0].click().run()
    assert not app.exception
    assert app.markdown[0].value == read_guide("page").strip()


def test_every_guide_can_be_chosen():
    app = AppTest.from_function(draw_content).run()
    assert app.selectbox[0].options == list(list_subjects().values())
    for subject in list_subjects():
        app.selectbox[0].select(subject).run()
        assert app.markdown[0].value == read_guide(subject).strip()


def test_the_guide_to_the_page_describes_its_tabs_in_order():
    from catalog.web.views import PARTS

    assert re.findall(r"^\*\*(.+?)\*\*", read_guide("page"), re.MULTILINE) == list(PARTS)
