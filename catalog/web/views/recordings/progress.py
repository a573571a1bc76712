"""How far long work is: a bar for work that the page waits for, a line for the scan behind it."""

from __future__ import annotations

import time

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.models import Progress, ScanReport
from catalog.web.labels import count_of, inert, plain, say_time
from catalog.web.scan_job import ScanState
from catalog.web.state import page
from catalog.web.tab import tab

REDRAW_S = 0.2  # the bar need not move more often
LOOK_S = 0.7  # between two looks at the scan; each is a small rerun
PARTS = ("added", "changed", "moved", "unchanged", "missing")


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


def say_report(report: ScanReport) -> str:
    """Say in one line what a scan did."""
    parts = [f"{len(files):,} {name}" for name in PARTS if (files := getattr(report, name))]
    parts.append(f"{len(report.skipped):,} left out")
    return f"Scanned: {', '.join(parts)}."


def say_state(state: ScanState) -> str:
    """Say in one line how far a scan is, how fast, and how long it will still take."""
    if state.status == "stopping":
        return "Stopping after the files at hand …"
    if state.step == "looking" or not state.total:
        return f"Looking for files: {state.done:,} so far …"
    parts = [f"{state.done:,} of {count_of(state.total, 'file')} measured"]
    if state.rate:
        parts.append(f"{state.rate:.0f} a second" if state.rate >= 1 else "less than one a second")
    if state.left_s:
        parts.append(f"about {say_time(state.left_s)} left")
    return ", ".join(parts)


def draw_scan(catalog: Catalog) -> None:
    """Draw how the scan stands, with what can be done about it; looks again by itself."""
    state = page().scans.state()
    look = st.fragment(_look_at_scan, run_every=LOOK_S if state.is_running else None)
    look(catalog, was_running=state.is_running, was_empty=not page().hits())


def draw_scan_line(catalog: Catalog) -> None:
    """Draw one line at the foot of every part while a scan is at work."""
    if page().scans.state().is_running:
        st.fragment(_draw_line, run_every=LOOK_S)(catalog)


def _draw_line(catalog: Catalog) -> None:
    state = page().scans.state()
    if not state.is_running:
        st.rerun()
    with st.container(key="scanline", horizontal=True, vertical_alignment="center"):
        st.markdown(f"Scanning: {inert(say_state(state))}.")
        if st.button("Show what has come in", key="scan_show", type="tertiary"):
            st.rerun()


def _look_at_scan(catalog: Catalog, *, was_running: bool, was_empty: bool) -> None:
    state = page().scans.state()
    if was_running != state.is_running or (was_empty and page().hits()):
        st.rerun()  # what came in is now shown everywhere
    if trouble := tab().scan_error:
        st.warning(inert(trouble))
    if state.is_running:
        share = state.done / state.total if state.total else 0.0
        st.progress(min(1.0, share), inert(say_state(state)))
        st.button(
            "Stop", key="scan_stop", on_click=page().scans.stop, disabled=state.status == "stopping"
        )
    elif state.status == "done" and state.report is not None:
        st.success(say_report(state.report))
    elif state.status == "failed":
        st.error(inert(state.error))
    elif state.status == "stopped":
        _draw_stopped(catalog, state)


def _draw_stopped(catalog: Catalog, state: ScanState) -> None:
    st.info(
        f"Stopped after {state.done:,} of {count_of(state.total, 'file')}. What was measured is "
        "kept; going on takes up the rest."
    )
    st.button("Go on", key="scan_go_on", on_click=lambda: begin_scan(catalog, state.folders))


def begin_scan(catalog: Catalog, folders: tuple[str, ...]) -> None:
    """Begin a scan when a button is pressed; why that cannot be done is said where it is drawn."""
    tab().scan_error = ""
    try:
        page().scans.start(catalog, folders)
    except (CatalogError, OSError) as err:
        tab().scan_error = str(err)
