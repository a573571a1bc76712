"""Levels, pitches and masking of the slots of a kit, and suggested tunings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np
import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.kit.model import Kit
from catalog.web.kit_session.actions import apply_action
from catalog.web.labels import inert, slot_word
from catalog.web.state import page
from catalog.web.tab import is_expanded, tab

Described = tuple[dict[str, list[Any]], dict[str, list[Any]], tuple[str, ...]]
MASKS_FROM = 0.3  # share of energy in the same bands worth mentioning; a judgement, no source


@contextmanager
def kit_errors() -> Iterator[None]:
    """Show an error of the catalog above the kit."""
    try:
        yield
    except CatalogError as err:
        tab().kit_error = str(err)


def change_kit(action: Mapping[str, object]) -> None:
    """Apply an action to the kit that is being built."""
    with kit_errors():
        apply_action(page().kit_session, {**action, "tab": tab().name})


def draw_balance(catalog: Catalog, kit: Kit) -> None:
    """Draw the slots side by side; nothing is measured before the expander is open."""
    if not kit.slots:
        return
    with st.expander("Levels, pitches, masking", key="balance_open", on_change="rerun"):
        if not is_expanded("balance_open"):
            return
        try:
            rows, overlap, lines = _measured(catalog, kit)
            proposals = catalog.kit_sound.propose_tuning(kit)
        except CatalogError as err:
            st.error(inert(str(err)))
            return
        st.dataframe(rows, hide_index=True, width="stretch", height="content")
        st.caption("Percent of energy that two slots have in the same third-octave bands:")
        bar = st.column_config.ProgressColumn
        columns = {
            name: bar(name, width="small", min_value=0, max_value=100, format="%d")
            for name in overlap["slot"]
        } | {"slot": st.column_config.TextColumn(pinned=True)}
        st.dataframe(
            overlap, hide_index=True, width="stretch", height="content", column_config=columns
        )
        if lines:
            st.markdown("\n".join(f"- {inert(line)}" for line in lines))
        for proposal in proposals:
            text, button = st.columns([4, 1.2], vertical_alignment="center")
            text.markdown(inert(proposal.text))
            button.button(
                f"Tune {slot_word(proposal.slot)}",
                key=f"tune_{proposal.slot}",
                width="stretch",
                on_click=change_kit,
                args=({"op": "tune", "slot": proposal.slot, "semitones": proposal.semitones},),
            )


def _measured(catalog: Catalog, kit: Kit) -> Described:
    """Return the tables of a kit, measured once for each state of it."""
    state = kit.to_json(), catalog.revision()
    known = tab().kit_balance
    if known is None or known[0] != state:
        known = tab().kit_balance = state, describe_balance(catalog, kit)
    found: Described = known[1]
    return found


def describe_balance(catalog: Catalog, kit: Kit) -> Described:
    """Return two tables of a kit, levels and overlap in percent, as columns, and remarks.

    Raises
    ------
    KitError
        if a hit cannot be read
    """
    found = catalog.kit_sound.masking(kit)
    others = found.overlap - 2 * np.eye(len(found.slots))  # a slot does not mask itself
    most = others.argmax(axis=1)
    masking = [
        f"{slot_word(found.slots[at])}, {100 * row[at]:.0f} %" if row[at] >= MASKS_FROM else ""
        for row, at in zip(others, most, strict=True)
    ]
    table: dict[str, list[Any]] = {
        "slot": [slot_word(slot) for slot in found.slots],
        "plays at, LKFS": [round(level, 1) for level in found.level_lkfs],
        "pitch": [
            f"{note} ({hz:.0f} Hz)" if note else ""
            for note, hz in zip(found.notes, found.pitch_hz, strict=True)
        ],
        "shares bands with": masking,
    }
    names = table["slot"]
    percent = np.round(100 * found.overlap).astype(int)
    overlap: dict[str, list[Any]] = {"slot": names} | {
        name: percent[:, at].tolist() for at, name in enumerate(names)
    }
    return table, overlap, found.lines
