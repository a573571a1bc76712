"""Bring in: name a folder, watch it being scanned, see what was left out and why."""

from __future__ import annotations

import time
from pathlib import Path

import streamlit as st

from catalog.errors import CatalogError
from catalog.facade import Catalog
from catalog.library.records import Progress, ScanReport, Skipped
from catalog.page import opened
from catalog.page.wording import inert, plain

REDRAW_S = 0.2  # the bar need not move more often
PARTS = ("added", "changed", "moved", "unchanged", "missing")


def draw_bring(catalog: Catalog, *, is_open: bool = True) -> None:
    """Draw the form for a folder, the last report and the files left out."""
    with st.form("bring", border=False):
        text = st.text_input(
            "Folder with recorded hits",
            key="bring_folder",
            placeholder="/home/me/recordings",
            help="The whole path. Folders inside it are scanned as well; files are only read.",
        )
        asked = st.form_submit_button("Scan", type="primary")
    if asked:
        _scan(catalog, text.strip())
    if report := st.session_state.get("bring_report"):
        st.success(say_report(report))
    _draw_map_row(catalog)
    if is_open:
        _draw_skipped(catalog.skipped())


def say_report(report: ScanReport) -> str:
    """Say in one line what a scan did."""
    parts = [f"{len(files):,} {name}" for name in PARTS if (files := getattr(report, name))]
    parts.append(f"{len(report.skipped):,} left out")
    return f"Scanned: {', '.join(parts)}."


def _scan(catalog: Catalog, text: str) -> None:
    folder = Path(text).expanduser()
    if not text or not folder.is_absolute() or not folder.is_dir():
        st.warning("That is no folder on this machine. Give the whole path, from the root on.")
        return
    bar = st.progress(0.0, "Looking for files …")
    try:
        report = catalog.scan([folder], on_progress=Bar(bar))
    except (CatalogError, OSError) as err:
        bar.empty()
        st.error(inert(str(err)))
        return
    st.session_state["bring_report"] = report
    st.rerun()


class Bar:
    """Moves a progress bar and says how long it will still take."""

    def __init__(self, bar: st.delta_generator.DeltaGenerator) -> None:
        self.bar = bar
        self.began = self.drawn = time.monotonic()
        self.step = ""

    def __call__(self, progress: Progress) -> None:
        """Take one report of progress."""
        now = time.monotonic()
        if progress.step != self.step:
            self.step, self.began = progress.step, now
        elif now - self.drawn < REDRAW_S:
            return
        self.drawn = now
        share = progress.done / progress.total if progress.total else 0.0
        left = (now - self.began) * (1 - share) / share if share > 0.02 else 0.0
        text = f"{plain(progress.step)}: {progress.done:,}"
        text += f" of {progress.total:,}" if progress.total else ""
        text += f", about {left:.0f} s left" if left >= 1 else ""
        self.bar.progress(min(1.0, share), inert(text))


def _draw_map_row(catalog: Catalog) -> None:
    """Offer a new map: the one shown places new hits beside their like, but moves nothing."""
    if not opened.current_hits():
        return
    say, deed = st.columns([5, 1.6], vertical_alignment="center")
    say.caption(
        "New hits are placed next to what they sound like. A new layout arranges the whole map "
        "again; on a new machine the first one can take a minute or more."
    )
    if deed.button("Lay the map out anew", width="stretch", key="relay"):
        bar = st.progress(0.0, "Laying out …")
        try:
            catalog.lay_out(on_progress=Bar(bar))
        except CatalogError as err:
            st.error(inert(str(err)))
            return
        st.rerun()


def _draw_skipped(skipped: list[Skipped]) -> None:
    if not skipped:
        return
    st.markdown(f"#### Left out ({len(skipped)})")
    st.dataframe(
        {
            "file": [plain(one.path.name) for one in skipped],
            "why, and what to do": [plain(one.reason) for one in skipped],
            "folder": [plain(str(one.path.parent)) for one in skipped],
        },
        hide_index=True,
    )
