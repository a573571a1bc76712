"""Takes: regions drawn on the waveform; move their ends, split and merge them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.models import Hit
from catalog.web.labels import count_of, inert, plain
from catalog.web.payloads import pick_row
from catalog.web.state import page
from catalog.web.tab import tab
from catalog.web.views.actions import run_action
from catalog.web.views.component import mount_audition


def draw_takes(catalog: Catalog) -> None:
    """Draw the list of takes and the regions of the selected one."""
    files = take_files(page().hits())
    names = {path: f"{plain(path.name)}, {count_of(n, 'stroke')}" for path, n in files.items()}
    path = st.selectbox("Recording", list(files), format_func=names.__getitem__)
    try:
        _draw_regions(catalog, catalog.takes.regions(path))
    except CatalogError as err:
        st.error(inert(str(err)))


def take_files(hits: Sequence[Hit]) -> Counter[Path]:
    """Return the recordings with several strokes, each with the number of its strokes."""
    return Counter(hit.path for hit in hits if hit.region)


def _draw_regions(catalog: Catalog, strokes: Sequence[Hit]) -> None:
    with st.container():
        if error := tab().action_error:
            st.error(inert(error))
    mount_audition(
        "cut",
        describe_regions(strokes, n_frames=_n_frames(catalog, strokes[0])),
        on_action_change=lambda: run_action(catalog, "cut"),
    )
    st.caption(
        "Drag the ends of a region; click the waveform to play from there. The recording itself "
        "is never changed. Later scans keep the regions that you set."
    )


def _n_frames(catalog: Catalog, stroke: Hit) -> int:
    """Return the length of the recording in frames, decoded once for each state of it."""
    known = tab().take_frames
    if known is None or known[0] != stroke.content_hash:
        known = stroke.content_hash, catalog.takes.n_frames(stroke.id)
        tab().take_frames = known
    return known[1]


def describe_regions(strokes: Sequence[Hit], *, n_frames: int) -> dict[str, Any]:
    """Return the regions of a take for the browser; strokes are in the order of time."""
    rows = [pick_row(hit) | {"start": hit.start, "stop": hit.stop} for hit in strokes]
    recording = strokes[0].content_hash[:16]
    return {"recording": recording, "sr": strokes[0].sr, "n_frames": n_frames, "strokes": rows}
