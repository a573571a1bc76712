"""The search row; its state is kept in the URL, so that a search can be bookmarked."""

from __future__ import annotations

import streamlit as st

from catalog.web.labels import ROLE_WORDS, plain
from catalog.web.views.browse.search_filter import RANGES, SearchChoices, SearchConditions

STEPS = {"s": 0.01, "Hz": 10.0, "samples": 1.0, "": 0.05}  # step of a number field, by unit
DIGITS = {"s": 3, "Hz": 0, "": 3}  # decimals shown, by unit; one for other units
PLAIN_KEYS: dict[str, object] = {
    "q": "",
    "unsure": False,
}  # widget keys and their values without a condition
HELP = (
    "Words of name, session, drum, notes and tags. Conditions such as `role:snare`,"
    " `session:attic`, `length:0.5..2s`, `brightness:2k..`, `tag:dry`, `fault:hum`,"
    " `recorded:2024..`, `like:42` can be added; the guide “search” lists all."
)
LIST_KEYS = ("roles", "sessions", "marks", "tags", "numbers")


def draw_search_row(choices: SearchChoices) -> SearchConditions:
    """Draw the search row with the available choices and return its conditions."""
    row = st.container(horizontal=True, vertical_alignment="bottom", gap="small")
    q = row.text_input(
        "Find by words", key="q", live=True, bind="query-params", width=330,
        placeholder="words, or length:..200ms tag:dry",
        help=HELP,
    )  # fmt: skip
    with _part(row, "Role", "roles"):
        roles = st.pills(
            "Only these roles", choices.roles, selection_mode="multi",
            format_func=ROLE_WORDS.__getitem__, key="roles", bind="query-params",
        )  # fmt: skip
    with _part(row, "Session", "sessions"):
        sessions = st.multiselect(
            "Only these sessions", choices.sessions, key="sessions", bind="query-params",
            format_func=lambda name: plain(name) or "unknown", placeholder="all sessions",
        )  # fmt: skip
    with _part(row, "Marks", "marks", "tags", "unsure"):
        marks, tags, unsure = _draw_annotations(choices)
    with _part(row, "Numbers", "numbers"):
        ranges = _draw_ranges(choices)
    conditions = SearchConditions(
        (q or "").strip(), tuple(roles), tuple(sessions), tuple(marks), tuple(tags), ranges, unsure
    )
    if conditions != SearchConditions():
        row.button("Show all", on_click=_clear, help="Remove all words, choices and ranges")
    return conditions


def _part(row: st.delta_generator.DeltaGenerator, word: str, *keys: str):  # type: ignore[no-untyped-def]
    """Return a popover whose label counts the choices made in it."""
    values = [st.session_state.get(key) for key in keys]
    n = sum(len(value) if isinstance(value, list) else bool(value) for value in values)
    return row.popover(f"{word} ({n})" if n else word, key=f"part_{word}")


def _draw_annotations(choices: SearchChoices) -> tuple[list[str], list[str], bool]:
    marks = st.pills(
        "Only hits marked", choices.marks, selection_mode="multi", key="marks", bind="query-params"
    )
    tags = st.multiselect(
        "Only hits with all these tags", choices.tags, format_func=plain, key="tags",
        placeholder="any tags" if choices.tags else "no hit has a tag yet", bind="query-params",
    )  # fmt: skip
    unsure = st.checkbox("Only hits with an uncertain role", key="unsure", bind="query-params")
    return marks, tags, unsure


def _draw_ranges(choices: SearchChoices) -> dict[str, tuple[float | None, float | None]]:
    names = [name for name in RANGES if name in choices.spans]
    chosen = st.multiselect(
        "Only hits within these numbers", names, format_func=lambda name: RANGES[name][0],
        key="numbers", placeholder="length, brightness, body …", bind="query-params",
    )  # fmt: skip
    ranges = {name: _draw_range(choices, name) for name in chosen}
    return {name: ends for name, ends in ranges.items() if ends != (None, None)}


def _draw_range(choices: SearchChoices, name: str) -> tuple[float | None, float | None]:
    """Draw the two ends of a range; an empty field is open."""
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
            st.columns(2), ("from", "to"), choices.spans[name], strict=True
        )
    )
    return low, high


def _clear() -> None:
    ends = [f"{name}_{word}" for name in RANGES for word in ("from", "to")]
    empty = PLAIN_KEYS | dict.fromkeys(k for k in ends if k in st.session_state)
    for key, value in (empty | {key: [] for key in LIST_KEYS}).items():
        st.session_state[key] = value
