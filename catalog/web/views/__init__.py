"""The page in four parts, in the order in which a person works."""

from __future__ import annotations

import streamlit as st

from catalog.errors import StoreError
from catalog.web.labels import HEARING, HOW_TO_BEGIN, NO_HITS, inert
from catalog.web.state import page
from catalog.web.views.browse.map import draw_listen
from catalog.web.views.guide import draw_guide_button
from catalog.web.views.kit.kit import draw_kit
from catalog.web.views.recordings.import_ import draw_bring
from catalog.web.views.recordings.progress import draw_scan_line
from catalog.web.views.review.duplicates import draw_twice

PARTS = ("Listen", "Twice", "Kit", "Bring in")
PAGE_STYLE = """<style>
.stMainBlockContainer {padding: 2.2rem 2rem 3rem; max-width: 1500px}
@media (max-width: 640px) {.stMainBlockContainer {padding: 2rem .8rem 3rem}}
.st-key-scanline {position: sticky; bottom: 0; z-index: 5; padding: .3rem .6rem;
  background: var(--st-secondary-background-color, Canvas); border-radius: 4px}
</style>"""
# The accent is light in the dark look, so the words on it must be dark.
DARK_BUTTONS = """<style>
button[kind^="primary"]:not(:disabled), button[kind^="primary"]:not(:disabled) p {color: #24221F}
</style>"""


def draw_page() -> None:
    """Draw everything; a store that cannot be opened is told in its own words."""
    st.set_page_config(page_title="Drum hits", page_icon="🥁", layout="wide")
    st.html(PAGE_STYLE + (DARK_BUTTONS if st.context.theme.type == "dark" else ""))
    try:
        catalog = page().catalog
        hits = page().hits()
    except StoreError as err:
        st.error(inert(str(err)))
        return
    if not hits and not catalog.history():
        st.header(NO_HITS)
        st.markdown(HOW_TO_BEGIN)
        draw_bring(catalog)
        draw_guide_button()
        return
    listen, twice, kit, bring = st.tabs(PARTS, key="part", on_change="rerun", bind="query-params")
    with listen:
        draw_listen()
    with twice:
        draw_twice(catalog, is_open=bool(twice.open))
    with kit:
        draw_kit(catalog)
    with bring:
        draw_bring(catalog, is_open=bool(bring.open))
    draw_scan_line(catalog)
    st.caption(HEARING)
    draw_guide_button()
