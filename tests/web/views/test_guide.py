"""The guides on the page."""

from __future__ import annotations

import re

from streamlit.testing.v1 import AppTest

from catalog.guide import list_subjects, read_guide
from catalog.web.labels import PARTS


def draw_content() -> None:
    from catalog.web.views.guide import draw_guides

    draw_guides()


def test_every_guide_can_be_chosen():
    app = AppTest.from_function(draw_content).run()
    assert app.selectbox[0].options == list(list_subjects().values())
    for subject in list_subjects():
        app.selectbox[0].select(subject).run()
        assert app.markdown[0].value == read_guide(subject).strip()


def test_the_guide_to_the_page_describes_its_parts_in_order():
    assert re.findall(r"^\*\*(.+?)\*\*", read_guide("page"), re.MULTILINE) == list(PARTS.values())
