"""The row that asks what to find; all of it is in the address bar, so that a search can be kept."""

from __future__ import annotations

import streamlit as st

from catalog.web.labels import ROLE_WORDS, plain
from catalog.web.views.browse.search_filter import RANGES, Summary, Wanted

STEPS = {"s": 0.01, "Hz": 10.0, "samples": 1.0, "": 0.05}  # of a number field, by unit
DIGITS = {"s": 3, "Hz": 0, "": 3}  # shown, by unit; one after the point for the others
PLAIN_KEYS = {"q": "", "unsure": False}  # and what they hold while nothing is asked for
LIST_KEYS = ("roles", "sessions", "marks", "tags", "numbers")


def ask_wanted(summary: Summary) -> Wanted:
    """Ask for words, roles, sessions, marks, tags and ranges.

    Parameters
    ----------
    summary : Summary, what there is to choose from

    Returns
    -------
    Wanted
    """
    row = st.container(horizontal=True, vertical_alignment="bottom", gap="small")
    q = row.text_input(
        "Find by words",
        key="q",
        live=True,
        bind="query-params",
        placeholder="name, session, drum, note, tag",
        width=330,
    )
    with _part(row, "Role", "roles"):
        roles = st.pills(
            "Only these roles",
            summary.roles,
            selection_mode="multi",
            format_func=ROLE_WORDS.__getitem__,
            key="roles",
            bind="query-params",
        )
    with _part(row, "Session", "sessions"):
        sessions = st.multiselect(
            "Only these sessions",
            summary.sessions,
            format_func=lambda name: plain(name) or "unknown",
            key="sessions",
            placeholder="all sessions",
            bind="query-params",
        )
    with _part(row, "Said", "marks", "tags", "unsure"):
        marks, tags, unsure = _ask_said(summary)
    with _part(row, "Numbers", "numbers"):
        ranges = _ask_ranges(summary)
    wanted = Wanted(
        words=(q or "").strip(),
        roles=tuple(roles),
        sessions=tuple(sessions),
        marks=tuple(marks),
        tags=tuple(tags),
        ranges=ranges,
        unsure=unsure,
    )
    if wanted != Wanted():
        row.button("Show all", on_click=_ask_nothing, help="Forget words, choices and ranges")
    return wanted


def _part(row: st.delta_generator.DeltaGenerator, word: str, *keys: str):  # type: ignore[no-untyped-def]
    """Open a part of the row that tells how much is chosen in it."""
    held = [st.session_state.get(key) for key in keys]
    n = sum(len(one) if isinstance(one, list) else bool(one) for one in held)
    return row.popover(f"{word} ({n})" if n else word, key=f"part_{word}")


def _ask_said(summary: Summary) -> tuple[list[str], list[str], bool]:
    marks = st.pills(
        "Only hits marked",
        summary.marks,
        selection_mode="multi",
        key="marks",
        bind="query-params",
    )
    tags = st.multiselect(
        "Only hits with all these tags",
        summary.tags,
        format_func=plain,
        key="tags",
        placeholder="any tags" if summary.tags else "no hit has a tag so far",
        bind="query-params",
    )
    unsure = st.checkbox("Only hits with a doubtful role", key="unsure", bind="query-params")
    return marks, tags, unsure


def _ask_ranges(summary: Summary) -> dict[str, tuple[float | None, float | None]]:
    names = [name for name in RANGES if name in summary.spans]
    chosen = st.multiselect(
        "Only hits within these numbers",
        names,
        format_func=lambda name: RANGES[name][0],
        key="numbers",
        placeholder="length, brightness, body …",
        bind="query-params",
    )
    asked = {name: _ask_range(summary, name) for name in chosen}
    return {name: ends for name, ends in asked.items() if ends != (None, None)}


def _ask_range(summary: Summary, name: str) -> tuple[float | None, float | None]:
    """Ask for the two ends of a range; an empty field is open."""
    label, unit = RANGES[name]
    digits = DIGITS.get(unit, 1)
    low, high = (
        column.number_input(
            f"{label} {word}{f', {unit}' if unit else ''}",
            value=None,
            step=STEPS.get(unit, 1.0),
            format=f"%.{digits}f",
            key=f"{name}_{word}",
            placeholder=f"{end:.{digits}f}",
            bind="query-params",
        )
        for column, word, end in zip(
            st.columns(2), ("from", "to"), summary.spans[name], strict=True
        )
    )
    return low, high


def _ask_nothing() -> None:
    for key, value in PLAIN_KEYS.items():
        st.session_state[key] = value
    for key in LIST_KEYS:
        st.session_state[key] = []
    for name in RANGES:
        for word in ("from", "to"):
            if f"{name}_{word}" in st.session_state:
                st.session_state[f"{name}_{word}"] = None
