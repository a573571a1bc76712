"""Look and listen: words and ranges above, then the map with all that sounds."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from catalog.catalog import Catalog
from catalog.models import Hit
from catalog.web import state as opened
from catalog.web.kit_session.session import open_draft
from catalog.web.labels import count_of
from catalog.web.payloads import SCALES
from catalog.web.views.browse.search_filter import make_mask, summarize
from catalog.web.views.browse.search_form import ask_wanted
from catalog.web.views.component import mount_audition

COLORS = ("role", "session", "mark", *SCALES)  # what the colors of the map may show


def draw_listen(catalog: Catalog, hits: Sequence[Hit]) -> None:
    """Draw the finding row and the map with all that sounds."""
    wanted = ask_wanted(summarize(hits))
    pack = opened.current_points()
    mask, n_found, mask_version = make_mask(hits, pack.ids, wanted)
    if mask is not None:
        opened.put_mask(mask_version, mask)
    st.caption(_say_found(n_found, len(pack.ids)))
    _draw_map(catalog, pack.version, mask_version)


@st.fragment
def _draw_map(catalog: Catalog, version: str, mask_version: str) -> None:
    """Draw the map; choosing a hit runs this part alone, the whole page only after a change."""
    pack = opened.current_points()
    if pack.version != version:
        st.rerun()
    result = mount_audition(
        "listen",
        {
            "version": pack.version,
            "mask_version": mask_version,
            "chosen": _linked_hit(),
            "color": _linked_color(),
            "kit_revision": open_draft(catalog).revision,
        },
        default={"chosen": None, "color": None, "said": None},
        on_chosen_change=lambda: None,
        on_color_change=lambda: None,
        on_said_change=lambda: None,
    )
    if result.chosen is not None:
        st.query_params["hit"] = str(result.chosen)
    if result.color in COLORS:
        st.query_params["color"] = result.color


def _linked_color() -> str | None:
    color = st.query_params.get("color")
    return color if color in COLORS else None


def _say_found(n_found: int, n_all: int) -> str:
    if n_found == n_all:
        return f"{count_of(n_all, 'hit')} on the map; like sounds lie close together."
    if n_found == 0:
        return "No hit fits. Take a word or a range away."
    return f"{count_of(n_found, 'hit')} of {n_all:,} fit; the others are faint."


def _linked_hit() -> int | None:
    text = st.query_params.get("hit", "")
    return int(text) if text.isdecimal() and len(text) < 10 else None
