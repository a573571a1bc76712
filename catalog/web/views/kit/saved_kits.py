"""Saved kits: save, open, compare, rename, delete."""

from __future__ import annotations

from itertools import pairwise

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.kit.change import describe_change
from catalog.kit.model import Kit
from catalog.web.kit_session.saving import delete_kit, rename_kit, save_kit
from catalog.web.labels import inert, plain, when_word
from catalog.web.state import page
from catalog.web.tab import is_expanded, tab
from catalog.web.views.kit.kit_balance import change_kit, kit_errors

N_VERSIONS = 12  # shown; the command line lists all


def draw_saved_kits(catalog: Catalog) -> None:
    """Draw the name field of the present kit, and the saved kits."""
    st.markdown("#### Save")
    kit, saved = page().kit_session.kit, _read_saved(catalog)
    with st.form("keep", border=False):
        field = f"kit_name_{kit.name}"
        st.text_input("Name of the kit", value=kit.name, key=field)
        st.form_submit_button("Save", disabled=not kit.slots, on_click=lambda: _save(kit, field))
    if not saved:
        return
    names = dict(enumerate(saved))
    at = st.selectbox(
        "Saved kits", list(names), format_func=lambda k: plain(names[k].name), key="saved"
    )
    picked = names[at]
    row = st.container(horizontal=True, vertical_alignment="center")
    row.button(
        "Open", key="reopen", on_click=lambda: change_kit({"op": "open", "name": picked.name})
    )
    with row.popover("Rename or delete"):
        st.text_input("New name", value=picked.name, key=f"new_name_{picked.name}")
        st.button("Rename", key="rename", on_click=lambda: _rename(picked.name))
        _draw_delete(picked.name)
    _draw_versions(catalog, picked.name)
    _draw_comparison(catalog, picked, kit)


def _draw_versions(catalog: Catalog, name: str) -> None:
    """Draw the versions of a saved kit, the newest first, each with a button that takes it back."""
    versions = catalog.kits.versions(name)
    if len(versions) < 2:
        return
    label = f"Older versions ({len(versions) - 1})"
    with st.expander(label, key="versions_open", on_change="rerun"):
        if not is_expanded("versions_open"):
            return
        for before, now in reversed(list(pairwise(versions[-N_VERSIONS - 1 :]))):
            line, button = st.columns([6, 1], vertical_alignment="center")
            change = inert(describe_change(before.kit, now.kit))
            line.markdown(f"before a change of {change}  \n:small[{when_word(before.time_utc)}]")
            button.button(
                "Take back", key=f"version_{before.version}", on_click=_take_back,
                args=(name, before.version),
            )  # fmt: skip


def _take_back(name: str, version: int) -> None:
    with kit_errors():
        page().catalog.kits.take_back(name, version)
        st.toast(f"Taken back: {inert(name)}")


def _draw_delete(name: str) -> None:
    """Draw the button that deletes a saved kit after a second press."""
    st.button("Delete this kit", key="forget", on_click=lambda: _ask_to_delete(name))
    if tab().kit_to_delete == name:
        st.caption(f"Delete {inert(name)}? The recordings stay, and undo brings the kit back.")
        st.button("Yes, delete", key="forget_yes", type="primary", on_click=lambda: _delete(name))


def _ask_to_delete(name: str) -> None:
    tab().kit_to_delete = name


def _read_saved(catalog: Catalog) -> list[Kit]:
    """Return the saved kits; if one is damaged, show which and what to do."""
    try:
        return catalog.kits.saved()
    except CatalogError as err:
        st.error(inert(str(err)))
        return []


def _draw_comparison(catalog: Catalog, picked: Kit, kit: Kit) -> None:
    with st.expander("Compare with the kit above", key="compare_open", on_change="rerun"):
        if not is_expanded("compare_open"):
            return
        if not kit.slots:
            st.caption("Fill at least one slot, then the two can be compared.")
            return
        try:
            lines = catalog.kit_sound.compare(picked, kit).lines
        except CatalogError as err:
            st.error(inert(str(err)))
            return
        st.markdown("\n".join(f"- {inert(line)}" for line in lines))


def _save(kit: Kit, field: str) -> None:
    name = st.session_state[field].strip()
    if not name:
        tab().kit_error = "Give the kit a name."
        return
    with kit_errors():
        save_kit(page().kit_session, name, shown=kit)
        st.toast(f"Saved: {inert(name)}")


def _rename(old: str) -> None:
    new = st.session_state[f"new_name_{old}"].strip()
    with kit_errors():
        rename_kit(page().kit_session, old, new)


def _delete(name: str) -> None:
    tab().kit_to_delete = ""
    with kit_errors():  # another tab may have deleted it
        delete_kit(page().kit_session, name)
