"""Bring in: folders chosen, scanned in the background, and what was left out with what to do."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.models import Skipped
from catalog.web.labels import count_of, inert, plain, when_word
from catalog.web.state import page
from catalog.web.tab import is_expanded, tab
from catalog.web.views.recordings.folder_picker import draw_choose_folder
from catalog.web.views.recordings.progress import Bar, begin_scan, draw_scan
from catalog.web.views.recordings.role_review import draw_roles_round
from catalog.web.views.recordings.takes import draw_takes
from catalog.web.views.review.coverage import draw_coverage
from catalog.web.views.review.faults import draw_faults

MANY = 3  # files left out for one reason, from which it is said once for all


def draw_bring(catalog: Catalog, *, is_open: bool = True) -> None:
    """Draw the form for a folder, how the scan stands, and what wants a look afterwards."""
    with st.form("bring", border=False):
        st.text_input(
            "Folder with recorded hits",
            key="bring_folder",
            placeholder="/home/me/recordings",
            help="The whole path. Folders inside it are scanned as well; files are only read.",
        )
        st.form_submit_button("Scan", type="primary", on_click=lambda: _scan(catalog))
    if not is_open:
        return
    with st.expander("Look for the folder", key="choose_open", on_change="rerun"):
        if is_expanded("choose_open"):
            draw_choose_folder(field="bring_folder")
    draw_scan(catalog)
    _draw_folders(catalog)
    draw_takes(catalog)
    draw_roles_round(catalog)
    _draw_skipped(catalog.review.skipped())
    draw_faults(catalog)
    draw_coverage(catalog)
    _draw_map_row(catalog)


def _scan(catalog: Catalog) -> None:
    text = st.session_state["bring_folder"].strip()
    folder = Path(text).expanduser()
    if not text or not folder.is_absolute() or not folder.is_dir():
        tab().scan_error = (
            "That is no folder on this machine. Give the whole path, from the root on."
        )
        return
    begin_scan(catalog, (str(folder),))


def _draw_folders(catalog: Catalog) -> None:
    """List the folders scanned before, each to be scanned again or gone on with."""
    folders = catalog.folders()
    if not folders:
        return
    at_work = page().scans.state().is_running
    st.markdown("#### Folders so far")
    for folder in folders:
        line, deed = st.columns([5, 1.4], vertical_alignment="center")
        there = Path(folder.path).is_dir()
        state = f"scanned {when_word(folder.time_utc)}"
        if not folder.finished:
            state = "at work" if at_work else f"begun {when_word(folder.time_utc)}, not finished"
        state = state if there else "not there now; plug in its disk, or scan where it has gone"
        line.markdown(f"{inert(folder.path)}  \n:small[{inert(state)}]")
        label = "Scan again" if folder.finished else "Go on"
        deed.button(
            label,
            key=f"again_{folder.path}",
            disabled=at_work or not there,
            width="stretch",
            on_click=begin_scan,
            args=(catalog, (folder.path,)),
        )
    present = tuple(folder.path for folder in folders if Path(folder.path).is_dir())
    if len(present) > 1:
        st.button(
            "Scan all of them",
            key="again_all",
            disabled=at_work,
            on_click=begin_scan,
            args=(catalog, present),
        )


def _draw_map_row(catalog: Catalog) -> None:
    """Offer a new map: the one shown places new hits beside their like, but moves nothing."""
    if not page().hits():
        return
    st.markdown("#### The map")
    say, deed = st.columns([5, 1.6], vertical_alignment="center")
    say.caption(
        "New hits are placed next to what they sound like. A new layout arranges the whole map "
        "again; on a new machine the first one can take a minute or more."
    )
    if deed.button("Lay the map out anew", width="stretch", key="relay"):
        bar = st.progress(0.0, "Laying out …")
        try:
            catalog.map.compute(on_progress=Bar(bar))
        except CatalogError as err:
            st.error(inert(str(err)))
            return
        st.rerun()


def _draw_skipped(skipped: list[Skipped]) -> None:
    if not skipped:
        return
    st.markdown(f"#### Left out ({len(skipped)})")
    reasons = [one.reason for one in skipped]
    often = [r for r in dict.fromkeys(reasons) if reasons.count(r) >= MANY]
    for reason in sorted(often, key=reasons.count, reverse=True):
        st.markdown(f"- {count_of(reasons.count(reason), 'file')}: {inert(reason)}")
    st.dataframe(
        {
            "file": [plain(one.path.name) for one in skipped],
            "why, and what to do": [plain(one.reason) for one in skipped],
            "folder": [plain(str(one.path.parent)) for one in skipped],
        },
        hide_index=True,
    )
    st.caption("After mending them scan the folder again; only what has changed is read.")
