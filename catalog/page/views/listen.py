"""Look and listen: words and ranges above, then the map with all that sounds."""

from __future__ import annotations

import math
from collections.abc import Sequence

import streamlit as st

from catalog.facade import Catalog
from catalog.library.records import Hit
from catalog.page import opened
from catalog.page.views.acts import take_act
from catalog.page.views.audition import mount_audition
from catalog.page.views.finding import RANGES, Summary, Wanted, make_mask, summarize
from catalog.page.views.kit_table import describe_kit
from catalog.page.wording import ROLE_WORDS, count_of, plain


def draw_listen(catalog: Catalog, hits: Sequence[Hit]) -> None:
    """Draw the finding row and the map with all that sounds."""
    wanted = _ask_wanted(summarize(hits))
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
            "sessions": [plain(name) for name in pack.sessions],
            "regions": [list(region) for region in pack.regions],
            "mask_version": mask_version,
            "chosen": _linked_hit(),
            "kit": describe_kit(catalog),
        },
        default={"chosen": None},
        on_chosen_change=lambda: None,
        on_act_change=lambda: take_act(catalog, "listen"),
    )
    if result.chosen is not None:
        st.query_params["hit"] = str(result.chosen)


def _say_found(n_found: int, n_all: int) -> str:
    if n_found == n_all:
        return f"{count_of(n_all, 'hit')} on the map; like sounds lie close together."
    if n_found == 0:
        return "No hit fits. Take a word or a range away."
    return f"{count_of(n_found, 'hit')} of {n_all:,} fit; the others are faint."


def _linked_hit() -> int | None:
    text = st.query_params.get("hit", "")
    return int(text) if text.isdecimal() and len(text) < 10 else None


def _ask_wanted(summary: Summary) -> Wanted:
    row = st.container(horizontal=True, vertical_alignment="bottom")
    q = row.text_input(
        "Find by words",
        key="q",
        live=True,
        bind="query-params",
        placeholder="name, session, drum, note",
        width=360,
    )
    with row.popover("Role"):
        roles = st.pills(
            "Only these roles",
            summary.roles,
            selection_mode="multi",
            format_func=ROLE_WORDS.__getitem__,
            key="roles",
        )
    with row.popover("Session"):
        chosen = st.multiselect(
            "Only these sessions",
            summary.sessions,
            format_func=lambda name: plain(name) or "unknown",
            key="sessions",
            placeholder="all sessions",
        )
    with row.popover("Ranges"):
        ranges = {name: r for name in RANGES if (r := _ask_range(summary, name)) is not None}
        unsure = st.checkbox("Only hits with a doubtful role", key="unsure")
    return Wanted(q.strip(), tuple(roles), tuple(chosen), ranges, unsure)


def _ask_range(summary: Summary, name: str) -> tuple[float, float] | None:
    """Ask for a range; None while it is left wide open."""
    label, unit = RANGES[name]
    lowest, highest = summary.spans.get(name, (0.0, 0.0))
    if lowest == highest:
        return None
    digits = 2 if unit == "s" else -1
    low = math.floor(lowest * 10**digits) / 10**digits
    high = math.ceil(highest * 10**digits) / 10**digits
    step = 10.0**-digits
    picked = st.slider(f"{label}, {unit}", low, high, (low, high), step, key=f"range_{name}")
    return None if picked == (low, high) else picked
