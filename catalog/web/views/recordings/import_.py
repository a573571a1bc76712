"""The part "Bring in": folders and scan, what needs attention, what to record next."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.web.labels import inert, when_word
from catalog.web.state import page
from catalog.web.tab import is_expanded, tab
from catalog.web.views.recordings.attention import draw_attention, draw_skipped, find_groups
from catalog.web.views.recordings.folder_picker import draw_folder_picker
from catalog.web.views.recordings.progress import (
    AGAIN_KEY,
    PageProgressBar,
    begin_scan,
    draw_scan,
)
from catalog.web.views.review.coverage import draw_coverage

SECTIONS = {
    "folders": "Folders and scan", "attention": "Needs attention", "record": "What to record next",
}  # fmt: skip


def draw_recordings(catalog: Catalog) -> None:
    """Draw the scan that runs, and one section: folders, what needs attention, what is missing."""
    if not page().hits():
        _draw_folder_form(catalog)
        draw_scan(catalog)
        _draw_folders(catalog)
        _draw_skipped_of_empty(catalog)
        return
    groups = find_groups(catalog)
    n_open = sum(group.count for group in groups.values())
    st.session_state.setdefault("bring_section", "folders")  # others set it before it is drawn
    section = st.segmented_control(
        "Section", list(SECTIONS), key="bring_section",
        format_func=lambda name: SECTIONS[name] + (f" ({n_open:,})" if name == "attention" else ""),
        label_visibility="collapsed",
    )  # fmt: skip
    draw_scan(catalog)
    if section == "attention":
        draw_attention(catalog, groups)
    elif section == "record":
        draw_coverage(catalog)
    else:
        _draw_folder_form(catalog)
        _draw_folders(catalog)
        _draw_map_row(catalog)


def _draw_skipped_of_empty(catalog: Catalog) -> None:
    """Draw why no file of a scanned folder could be used."""
    if catalog.review.skipped():
        draw_skipped(catalog)


def _draw_folder_form(catalog: Catalog) -> None:
    with st.form("bring", border=False):
        field, button = st.columns([5, 1], vertical_alignment="bottom")
        field.text_input(
            "Folder with recorded hits",
            key="bring_folder",
            placeholder="/home/me/recordings",
            help="The full path. Folders inside it are scanned as well; files are only read.",
        )
        button.form_submit_button(
            "Scan", type="primary", width="stretch", on_click=lambda: _scan(catalog)
        )
    with st.expander("Choose the folder", key="choose_open", on_change="rerun"):
        if is_expanded("choose_open"):
            draw_folder_picker(field="bring_folder")


def _scan(catalog: Catalog) -> None:
    text = st.session_state["bring_folder"].strip()
    folder = Path(text).expanduser()
    if not text or not folder.is_absolute() or not folder.is_dir():
        tab().scan_error = "There is no such folder on this machine. Enter its full path."
        return
    begin_scan(catalog, (str(folder),))


def _draw_folders(catalog: Catalog) -> None:
    """Draw the scanned folders with buttons to scan them again or to continue."""
    folders = catalog.folders()
    if not folders:
        return
    is_running = page().scans.state().is_running
    present = tuple(folder.path for folder in folders if Path(folder.path).is_dir())
    st.markdown("#### Scanned folders")
    for folder in folders:
        line, button = st.columns([5, 1.4], vertical_alignment="center")
        is_present, when = folder.path in present, when_word(folder.time_utc)
        if not is_present:
            state = "not found; connect its disk, or scan its new place"
        elif folder.finished:
            state = f"scanned {when}"
        else:
            state = "scan running" if is_running else f"started {when}, not finished"
        line.markdown(f"{inert(folder.path)}  \n:small[{inert(state)}]")
        button.button(
            "Scan again" if folder.finished else "Continue", key=f"again_{folder.path}",
            disabled=is_running or not is_present, width="stretch", on_click=begin_scan,
            args=(catalog, (folder.path,)),
        )  # fmt: skip
    st.checkbox(
        "Read unchanged files too",
        key=AGAIN_KEY,
        help="A scan does not read a file again whose size and time are as before. Choose this if "
        "a file was changed with its time kept, or should be tried again.",
    )
    if len(present) > 1:
        st.button(
            "Scan all", key="again_all", disabled=is_running, on_click=begin_scan,
            args=(catalog, present),
        )  # fmt: skip


def _draw_map_row(catalog: Catalog) -> None:
    """Draw the button that computes a new map."""
    if not page().hits():
        return
    st.markdown("#### The map")
    text, button = st.columns([5, 1.6], vertical_alignment="center")
    text.caption(
        "New hits are placed beside similar ones. A new map arranges all hits again; on a new "
        "machine the first one can take a minute or more."
    )
    if button.button("Compute a new map", width="stretch", key="relay"):
        bar = st.progress(0.0, "Computing …")
        try:
            catalog.map.compute(on_progress=PageProgressBar(bar))
        except CatalogError as err:
            st.error(inert(str(err)))
            return
        st.rerun()
