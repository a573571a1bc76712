"""Kits kept under a name: saved, opened again, compared, named anew, forgotten."""

from __future__ import annotations

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.kit.model import Kit
from catalog.web.labels import inert, plain
from catalog.web.state import page
from catalog.web.tab import is_expanded, tab
from catalog.web.views.kit.kit_balance import change_kit


def draw_kept(catalog: Catalog) -> None:
    """Draw the name of the kit on the table, and the kits kept before."""
    st.markdown("#### Keep")
    kit, saved = page().kit_session.kit, catalog.kits.saved()
    with st.form("keep", border=False):
        field = f"kit_name_{kit.name}"
        st.text_input("Name of the kit", value=kit.name, key=field)
        st.form_submit_button(
            "Save", disabled=not kit.slots, on_click=lambda: _save(catalog, kit, field)
        )
    if not saved:
        return
    names = dict(enumerate(saved))
    at = st.selectbox(
        "Saved kits", list(names), format_func=lambda k: plain(names[k].name), key="saved"
    )
    picked = names[at]
    row = st.container(horizontal=True, vertical_alignment="center")
    row.button(
        "Open it",
        key="reopen",
        on_click=lambda: change_kit({"op": "open", "name": picked.name}),
    )
    with row.popover("Name it anew, or forget it"):
        st.text_input("New name", value=picked.name, key=f"new_name_{picked.name}")
        st.button("Name it so", key="rename", on_click=lambda: _rename(catalog, picked.name))
        st.button(
            "Forget this kit",
            key="forget",
            help="Only the list of its hits goes; the recordings stay.",
            on_click=lambda: _forget(catalog, picked.name),
        )
    _draw_comparison(catalog, picked, kit)


def _draw_comparison(catalog: Catalog, picked: Kit, kit: Kit) -> None:
    with st.expander("Compare it with the kit above", key="compare_open", on_change="rerun"):
        if not is_expanded("compare_open"):
            return
        if not kit.slots:
            st.caption("Fill at least one place, then the two can be compared.")
            return
        try:
            lines = catalog.kit_sound.compare(picked, kit).lines
        except CatalogError as err:
            st.error(inert(str(err)))
            return
        st.markdown("\n".join(f"- {inert(line)}" for line in lines))


def _save(catalog: Catalog, kit: Kit, field: str) -> None:
    name = st.session_state[field].strip()
    if not name:
        tab().kit_error = "A kit needs a name to be found again."
        return
    catalog.kits.save(kit, name)
    page().kit_session.rename(name)
    st.toast(f"Saved: {inert(name)}")


def _rename(catalog: Catalog, old: str) -> None:
    new = st.session_state[f"new_name_{old}"].strip()
    try:
        catalog.kits.rename(old, new)
    except CatalogError as err:
        tab().kit_error = str(err)
        return
    if page().kit_session.kit.name == old:
        page().kit_session.rename(new)


def _forget(catalog: Catalog, name: str) -> None:
    try:
        catalog.kits.delete(name)
    except CatalogError as err:  # another tab was faster
        tab().kit_error = str(err)
