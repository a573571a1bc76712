"""Choose folders, scan them in the background, and list skipped files."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.models import Skipped
from catalog.web.labels import count_of, inert, plain, when_word
from catalog.web.state import page
from catalog.web.tab import is_expanded, tab
from catalog.web.views.recordings.folder_picker import draw_folder_picker
from catalog.web.views.recordings.progress import (
    AGAIN_KEY,
    PageProgressBar,
    begin_scan,
    draw_scan,
)
from catalog.web.views.recordings.role_review import draw_role_review
from catalog.web.views.recordings.takes import draw_takes
from catalog.web.views.review.coverage import draw_coverage
from catalog.web.views.review.faults import draw_faults

MANY = 3  # files skipped for one reason; as many get a line with their count


def draw_recordings(catalog: Catalog) -> None:
    """Draw the folder form, the scan progress, and what should be checked afterwards."""
    with st.form("bring", border=False):
        st.text_input(
            "Folder with recorded hits",
            key="bring_folder",
            placeholder="/home/me/recordings",
            help="The full path. Folders inside it are scanned as well; files are only read.",
        )
        st.form_submit_button("Scan", type="primary", on_click=lambda: _scan(catalog))
    with st.expander("Choose the folder", key="choose_open", on_change="rerun"):
        if is_expanded("choose_open"):
            draw_folder_picker(field="bring_folder")
    draw_scan(catalog)
    _draw_folders(catalog)
    draw_takes(catalog)
    draw_role_review(catalog)
    _draw_skipped(catalog.review.skipped())
    draw_faults(catalog)
    draw_coverage(catalog)
    _draw_map_row(catalog)


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


def _draw_skipped(skipped: list[Skipped]) -> None:
    if not skipped:
        return
    st.markdown(f"#### Skipped files ({len(skipped)})")
    reasons = [file.reason for file in skipped]
    often = [r for r in dict.fromkeys(reasons) if reasons.count(r) >= MANY]
    for reason in sorted(often, key=reasons.count, reverse=True):
        st.markdown(f"- {count_of(reasons.count(reason), 'file')}: {inert(reason)}")
    st.dataframe(
        {
            "file": [plain(file.path.name) for file in skipped],
            "reason and remedy": [plain(file.reason) for file in skipped],
            "folder": [plain(str(file.path.parent)) for file in skipped],
        },
        hide_index=True,
    )
    st.caption("After repairing them scan the folder again; only changed files are read.")
