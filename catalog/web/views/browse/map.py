"""The search row and the map."""

from __future__ import annotations

import numpy as np
import streamlit as st

from catalog.errors import CatalogError
from catalog.web.labels import count_of, plain
from catalog.web.payloads import SCALES
from catalog.web.state import page
from catalog.web.views.browse.search_filter import (
    QueryAnswer,
    answer_query,
    find_choices,
    make_mask,
)
from catalog.web.views.browse.search_form import draw_search_row
from catalog.web.views.component import mount_audition

COLORS = ("role", "session", "mark", *SCALES)  # what the color of a point may stand for


def draw_map_part() -> None:
    """Draw the search row and the map."""
    conditions = draw_search_row(find_choices(page().columns()))
    pack = page().points()
    answer, problem = _answer(conditions.query)
    mask, n_found, mask_version = make_mask(page().columns(), pack.ids, conditions, answer)
    if mask is not None:
        page().masks.put(mask_version, mask)
    st.caption(problem or _count_text(n_found, len(pack.ids)))
    _draw_map(pack.version, mask_version)


def _answer(text: str) -> tuple[QueryAnswer | None, str]:
    """Return what the query of the search field finds, or None and why it finds nothing."""
    if not text:
        return None, ""
    key = page().catalog.revision(), text
    answer = page().answers.get(key)
    try:
        answer = answer or answer_query(page().catalog, text)
    except CatalogError as err:
        return QueryAnswer(np.zeros(0, np.int64)), plain(str(err))
    page().answers.put(key, answer)
    return answer, ""


@st.fragment
def _draw_map(version: str, mask_version: str) -> None:
    """Draw the map; choosing a hit reruns this part alone, a change reruns the whole page."""
    pack = page().points()
    if pack.version != version:
        st.rerun()
    result = mount_audition(
        "listen",
        {
            "version": pack.version,
            "mask_version": mask_version,
            "chosen": _linked_hit(),
            "color": _linked_color(),
            "kit_revision": page().kit_session.revision,
        },
        default={"chosen": None, "color": None, "annotated": None},
        on_chosen_change=lambda: None,
        on_color_change=lambda: None,
        on_annotated_change=lambda: None,
    )
    if result.chosen is not None:
        st.query_params["hit"] = str(result.chosen)
    if result.color in COLORS:
        st.query_params["color"] = result.color


def _linked_color() -> str | None:
    color = st.query_params.get("color")
    return color if color in COLORS else None


def _count_text(n_found: int, n_all: int) -> str:
    if n_found == n_all:
        return f"{count_of(n_all, 'hit')} on the map; similar sounds lie close together."
    if n_found == 0:
        return "No hit matches. Remove a word or a range."
    return f"{count_of(n_found, 'hit')} of {n_all:,} match; the others are faint."


def _linked_hit() -> int | None:
    text = st.query_params.get("hit", "")
    return int(text) if text.isdecimal() and len(text) < 10 else None
