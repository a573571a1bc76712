"""The page in four parts, in the order of the work."""

from __future__ import annotations

import streamlit as st

from catalog.errors import StoreError
from catalog.web.labels import HEARING, HOW_TO_BEGIN, NO_HITS, inert
from catalog.web.state import page
from catalog.web.views.browse.map import draw_map_part
from catalog.web.views.guide import draw_guide_button
from catalog.web.views.kit.kit import draw_kit
from catalog.web.views.recordings.import_ import draw_recordings
from catalog.web.views.recordings.progress import draw_scan_line
from catalog.web.views.review.duplicates import draw_duplicates
from catalog.web.views.review.history import draw_move_warnings

PARTS = ("Listen", "Copies", "Kit", "Recordings")
PAGE_STYLE = """<style>
.stMainBlockContainer {padding: 2.2rem 2rem 3rem; max-width: 1500px}
@media (max-width: 640px) {.stMainBlockContainer {padding: 2rem .8rem 3rem}}
.st-key-scanline {position: sticky; bottom: 0; z-index: 5; padding: .3rem .6rem;
  background: var(--st-secondary-background-color, Canvas); border-radius: 4px}
</style>"""
# The accent color is light in dark mode, so the text on it must be dark.
DARK_BUTTONS = """<style>
button[kind^="primary"]:not(:disabled), button[kind^="primary"]:not(:disabled) p {color: #24221F}
</style>"""


def draw_page() -> None:
    """Draw the whole page; if the store cannot be opened, draw the error."""
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
        draw_recordings(catalog)
        draw_guide_button()
        return
    draw_move_warnings(catalog)
    listen, copies, kit, recordings = st.tabs(
        PARTS, key="part", on_change="rerun", bind="query-params"
    )
    with listen:
        draw_map_part()
    with copies:
        draw_duplicates(catalog, is_open=bool(copies.open))
    with kit:
        draw_kit(catalog)
    with recordings:
        draw_recordings(catalog, is_open=bool(recordings.open))
    draw_scan_line(catalog)
    st.caption(HEARING)
    draw_guide_button()
