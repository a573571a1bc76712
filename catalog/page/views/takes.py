"""Recordings with several strokes: the cut drawn on the wave; moved, parted, joined."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import streamlit as st

from catalog.errors import CatalogError
from catalog.facade import Catalog
from catalog.library.records import Hit
from catalog.page import opened
from catalog.page.wording import count_of, inert, plain

N_POINTS, HIGH = 900, 120  # of the drawing
WAVE, MARKED, OTHER = "#7d7d7d", "#c2571a", "#2f7d78"  # told apart on light and on dark ground


def draw_takes(catalog: Catalog) -> None:
    """Offer the takes of the catalog, and the cut of the one that is looked at."""
    files: dict[Path, int] = {}
    for hit in opened.current_hits():
        if hit.region:
            files[hit.path] = files.get(hit.path, 0) + 1
    if not files:
        return
    st.markdown("#### Recordings with several strokes")
    with st.expander("Look at the cut", key="takes_open", on_change="rerun"):
        if st.session_state.get("takes_open"):
            names = {
                path: f"{plain(path.name)}, {count_of(n, 'stroke')}" for path, n in files.items()
            }
            path = st.selectbox("Recording", list(files), format_func=names.__getitem__)
            try:
                _draw_cut(catalog, catalog.regions(path))
            except CatalogError as err:
                st.error(inert(str(err)))


def _draw_cut(catalog: Catalog, strokes: Sequence[Hit]) -> None:
    place = st.empty()
    at = st.selectbox(
        "Stroke", range(len(strokes)),
        format_func=lambda k: f"{k + 1} of {len(strokes)}, hit {strokes[k].id}",
        key=f"take_stroke_{strokes[0].path}",
    )  # fmt: skip
    stroke, sr = strokes[at], strokes[at].sr
    n_frames = catalog.n_frames(stroke.path)
    wave = catalog.waveform(stroke.path, n_points=N_POINTS)
    place.image(_svg(wave, strokes, stroke, n_frames), width="stretch")
    key = f"{stroke.id}_{stroke.start}_{stroke.stop}"
    first, last, part = st.columns(3)
    start = _seconds(first, "Begins at, s", stroke.start / sr, n_frames / sr, f"from_{key}")
    stop = _seconds(last, "Ends at, s", stroke.stop / sr, n_frames / sr, f"to_{key}")
    middle = (stroke.start + stroke.stop) / 2 / sr
    split = _seconds(part, "Part at, s", middle, n_frames / sr, f"at_{key}")
    deeds: list[tuple[str, bool, Callable[[], object]]] = [
        ("Move its ends", True, lambda: catalog.move_region(
            stroke.id, start=round(start * sr), stop=round(stop * sr))),
        ("Part in two", True, lambda: catalog.split_region(stroke.id, at=round(split * sr))),
        ("Join with the next", at + 1 < len(strokes), lambda: catalog.merge_regions(
            [stroke.id, strokes[at + 1].id])),
        ("Cut as it was found", True, lambda: catalog.cut_again(stroke.id)),
    ]  # fmt: skip
    for column, (label, can, deed) in zip(st.columns(len(deeds)), deeds, strict=True):
        if column.button(label, disabled=not can, width="stretch"):
            deed()
            st.rerun()
    st.caption("The recording itself is never changed. Later scans keep what you say here.")


def _seconds(column: st.delta_generator.DeltaGenerator, label: str, value: float, most: float,
             key: str) -> float:  # fmt: skip
    return float(column.number_input(label, 0.0, most, value, step=0.001, format="%.4f", key=key))


def _svg(wave: np.ndarray, strokes: Sequence[Hit], chosen: Hit, n_frames: int) -> str:
    """The wave as one shape, and a bar below for each stroke."""
    middle, n = HIGH / 2, len(wave)
    scale = 0.95 * middle / max(1e-9, float(np.abs(wave).max()))
    top = [f"{x},{middle - scale * high:.1f}" for x, high in enumerate(wave[:, 1])]
    low = [f"{x},{middle - scale * v:.1f}" for x, v in reversed(list(enumerate(wave[:, 0])))]
    bars = "".join(
        f'<rect x="{s.start * n / n_frames:.2f}" y="{HIGH + 4}" height="8" rx="2"'
        f' width="{max(1.0, (s.stop - s.start) * n / n_frames - 1):.2f}"'
        f' fill="{MARKED if s.id == chosen.id else OTHER}"/>'
        for s in strokes
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {n} {HIGH + 14}" width="{n}"'
        f' height="{HIGH + 14}"><polygon points="{" ".join(top + low)}" fill="{WAVE}"'
        f' stroke="{WAVE}" stroke-width="0.5"/>{bars}</svg>'
    )
