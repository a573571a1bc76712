"""Progress bars, and the state of the background scan."""

from __future__ import annotations

import time

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.reports import Progress, ScanReport
from catalog.web.labels import count_of, inert, plain
from catalog.web.server.scan_job import ScanState
from catalog.web.state import page
from catalog.web.tab import tab

REDRAW_S = 0.2  # shortest time between two updates of a bar
REFRESH_S = 0.7  # between two refreshes of the scan state; each is a small rerun
AGAIN_KEY = "scan_again"  # of the box that chooses to read unchanged files too
PARTS = ("added", "changed", "moved", "unchanged", "missing")


class PageProgressBar:
    """Show progress and the remaining time on a bar."""

    def __init__(self, bar: st.delta_generator.DeltaGenerator) -> None:
        self.bar = bar
        self.began = self.drawn = time.monotonic()
        self.step = ""

    def __call__(self, progress: Progress) -> None:
        """Update the bar."""
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


def report_text(report: ScanReport) -> str:
    """Return the result of a scan as one line."""
    parts = [f"{len(files):,} {name}" for name in PARTS if (files := getattr(report, name))]
    parts.append(f"{len(report.skipped):,} skipped")
    if report.left_out:
        parts.append(f"{sum(part.n_files for part in report.left_out):,} left out")
    return f"Scanned: {', '.join(parts)}."


def draw_scan(catalog: Catalog) -> None:
    """Draw the state of the scan with its buttons; it refreshes itself."""
    state = page().scans.state()
    draw = st.fragment(_draw_state, run_every=REFRESH_S if state.is_running else None)
    draw(catalog, was_running=state.is_running, was_empty=not page().hits())


def _draw_state(catalog: Catalog, *, was_running: bool, was_empty: bool) -> None:
    state = page().scans.state()
    if was_running != state.is_running or (was_empty and page().hits()):
        st.rerun()  # the whole page shows the new hits
    if error := tab().scan_error:
        st.warning(inert(error))
    if state.is_running:
        share = state.done / state.total if state.total else 0.0
        st.progress(min(1.0, share), inert(state.text))
        st.button(
            "Stop", key="scan_stop", on_click=page().scans.stop, disabled=state.status == "stopping"
        )
    elif state.status == "done" and state.report is not None:
        st.success(report_text(state.report))
        for part in state.report.left_out:
            st.caption(inert(f"{part.path}: {part.n_files} files left out; {part.reason}"))
    elif state.status == "failed":
        st.error(inert(state.error))
    elif state.status == "stopped":
        _draw_stopped(catalog, state)


def _draw_stopped(catalog: Catalog, state: ScanState) -> None:
    st.info(
        f"Stopped after {state.done:,} of {count_of(state.total, 'file')}. Measured files are "
        "kept; continue with the rest at any time."
    )
    st.button("Continue", key="scan_go_on", on_click=lambda: begin_scan(catalog, state.folders))


def begin_scan(catalog: Catalog, folders: tuple[str, ...]) -> None:
    """Start a scan; an error is shown beside the state of the scan."""
    again = bool(st.session_state.get(AGAIN_KEY))
    tab().scan_error = ""
    try:
        page().scans.start(catalog, folders, again=again)
    except (CatalogError, OSError) as err:
        tab().scan_error = str(err)
