"""The page: one component for finding hits, and below its head the part that is open."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import StoreError
from catalog.web.labels import HEARING, inert
from catalog.web.state import page
from catalog.web.views.component import mount_audition
from catalog.web.views.first_start import draw_demo_note, draw_first_start
from catalog.web.views.guide import draw_guides
from catalog.web.views.recordings.import_ import draw_recordings
from catalog.web.views.review.history import draw_history, draw_move_warnings

FIND = "find"  # this part, the duplicates and the kit are drawn by the component itself
DRAWN: Mapping[str, Callable[[Catalog], None]] = {
    "recordings": draw_recordings, "history": draw_history,
}  # fmt: skip
# What the fields of a part hold is kept while another part is open.
KEPT = ("bring_folder", "bring_section", "attention")
# The component has a fixed head of 48 pixels and a foot of 128 pixels.
PAGE_STYLE = """<style>
[data-testid=stHeader] {display: none}
.stMainBlockContainer {padding: 60px 2rem 150px; max-width: 1500px !important}
.stElementContainer, .stVerticalBlock > div {opacity: 1 !important; transition: none !important}
.st-key-part .stElementContainer[data-stale=true] {
  opacity: .3 !important; transition: opacity .1s .4s !important}
[data-testid=stCaptionContainer], [data-testid=stCaptionContainer] p {
  color: inherit !important; opacity: .92 !important}
[data-baseweb=input], [data-baseweb=select] > div, [data-testid=stBaseButton-secondary] {
  border-color: #88806F !important}
@media (max-width: 900px) {.stMainBlockContainer {padding: 60px .8rem 150px}}
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
        draw_first_start(catalog)
        draw_demo_note()
        return
    part = _mount_workbench()
    st.session_state.update({k: st.session_state[k] for k in KEPT if k in st.session_state})
    with st.container(key="part"):
        if part in DRAWN:
            draw_demo_note()
            draw_move_warnings(catalog)
            DRAWN[part](catalog)
            st.caption(HEARING)


def _mount_workbench() -> str:
    """Mount the component and return the part that is open."""
    linked = str(st.query_params.get("part", FIND))
    result = mount_audition(
        "workbench",
        {"kit_revision": page().kit_session.revision},
        default={"part": linked},
        on_part_change=lambda: None,
        on_guide_change=lambda: None,
        on_folder_change=_take_folder,
        on_changed_change=lambda: None,  # by an undo: the open part is drawn again
    )
    if result.guide:
        st.dialog("Guides", width="large")(draw_guides)()
    return str(result.part or FIND)


def _take_folder() -> None:
    """Enter the path of a folder that was dropped on the page, ready to be scanned."""
    path = st.session_state["workbench"]["folder"]
    if isinstance(path, str) and path:
        st.session_state.update({"bring_folder": path, "bring_section": "folders"})
