"""The page over an empty catalog: scan a folder, try the demo library, or read a guide."""

from __future__ import annotations

import streamlit as st

from catalog.catalog import Catalog, default_store
from catalog.errors import CatalogError
from catalog.services.demo import copy_demo, demo_places, place_demo
from catalog.web.labels import (
    DEMO_SHOWN,
    HOW_TO_BEGIN,
    LEAVE_DEMO,
    NO_HITS,
    TRY_DEMO,
    TRY_DEMO_HELP,
    inert,
)
from catalog.web.state import leave_demo, page, use_demo
from catalog.web.views.guide import draw_guides
from catalog.web.views.recordings.import_ import draw_recordings
from catalog.web.views.recordings.progress import PageProgressBar


def draw_first_start(catalog: Catalog) -> None:
    """Draw one sentence and three ways to begin."""
    st.header(NO_HITS)
    st.markdown(HOW_TO_BEGIN)
    draw_recordings(catalog)
    demo, guide, _ = st.columns([1, 1, 3])
    is_scanning = page().scans.state().is_running  # its store must stay open
    if demo.button(TRY_DEMO, help=TRY_DEMO_HELP, width="stretch", disabled=is_scanning):
        _open_demo()
    if guide.button("Read the guides", width="stretch"):
        st.dialog("Guides", width="large")(draw_guides)()


def draw_demo_note() -> None:
    """Say that the demo library is shown, with a way back; nothing for another library."""
    if not page().is_demo:
        return
    words, button = st.columns([4, 1], vertical_alignment="center")
    words.info(DEMO_SHOWN)
    is_scanning = page().scans.state().is_running
    if button.button(LEAVE_DEMO, width="stretch", disabled=is_scanning):
        leave_demo()
        st.rerun()


def _open_demo() -> None:
    """Scan the demo library into a store of its own, once, and show that."""
    place, store = demo_places(default_store())
    bar = PageProgressBar(st.progress(0.0))
    try:
        library = copy_demo(place)
        with Catalog.open(store) as demo:
            demo.scan([library], on_progress=bar)
            place_demo(demo.context, library)
    except CatalogError as err:
        st.error(inert(str(err)))
        return
    use_demo(store)
    st.rerun()
