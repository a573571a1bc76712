"""Build a kit: fill its slots, play it, save it, export it."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from catalog.kit.slots import DEFAULT_SLOTS, SLOTS
from catalog.models import ROLES
from catalog.web.labels import RIGHTS, count_of, inert, slot_word
from catalog.web.state import page
from catalog.web.tab import ExportMessage, tab
from catalog.web.views.component import mount_audition
from catalog.web.views.kit.kit_balance import change_kit, draw_balance
from catalog.web.views.kit.saved_kits import draw_saved_kits

WIDTHS = {"24-bit (usual)": "PCM_24", "16-bit": "PCM_16", "32-bit float": "FLOAT"}


def find_fillable(roles: Collection[str]) -> list[str]:
    """Return the slots that a hit of one of these roles can fill, in the order of a kit."""
    return [name for name, slot in SLOTS.items() if set(roles) & set(slot.roles)]


def draw_kit(catalog: Catalog) -> None:
    """Draw the controls, the slots, the balance, saving and export."""
    _draw_filling()
    errors = st.container()
    if tab().kit_error:
        errors.error(inert(tab().kit_error))
        tab().kit_error = ""
    mount_audition(
        "kit", {"kit_revision": page().kit_session.revision}, on_changed_change=lambda: None
    )
    st.caption(
        "Click into the kit, then play it with the letters on the cards. Hats choke each other."
    )
    draw_balance(catalog, page().kit_session.kit)
    keeping, handing = st.columns(2, gap="large")
    with keeping:
        draw_saved_kits(catalog)
    with handing:
        _draw_export(catalog)


def _draw_filling() -> None:
    row = st.container(horizontal=True, vertical_alignment="center")
    fillable = find_fillable([ROLES[k] for k in np.unique(page().columns().roles)])
    usual = [slot for slot in DEFAULT_SLOTS if slot in fillable]
    n_slots = len(st.session_state.get("slots_to_fill", usual))
    empty = not page().kit_session.kit.slots
    # `on_click` runs before the page is drawn, so that no press is lost to another change.
    row.button("Fill the rest", type="primary", key="fill", on_click=_fill)
    with row.popover(f"Slots to fill ({n_slots})"):
        st.pills(
            "Slots to fill", fillable, selection_mode="multi", default=usual, format_func=slot_word,
            key="slots_to_fill", label_visibility="collapsed",
        )  # fmt: skip
    for label, op in (("Add other strokes", "layers"), ("Start over", "start_over")):
        row.button(label, key=op, disabled=empty, on_click=change_kit, args=({"op": op},))


def _fill() -> None:
    change_kit({"op": "fill", "slots": st.session_state["slots_to_fill"]})


def _draw_export(catalog: Catalog) -> None:
    st.markdown("#### Export")
    kit = page().kit_session.kit
    if not kit.slots:
        st.caption("Fill at least one slot, then the kit can be exported as open files.")
        return
    n_hits = sum(len(ids) for ids in kit.slots.values())
    folder = st.text_input(
        "New folder for the kit", key="export_folder", placeholder=str(Path.home() / "my kit")
    )
    width = st.selectbox("Sample format", list(WIDTHS), key="export_width")
    st.caption(
        f"Will be written: {count_of(n_hits, 'WAV file')}, an SFZ file that maps them to keys, a "
        "note map after General MIDI, and a manifest that names where each hit came from. "
        "Nothing that exists is overwritten; your recordings stay as they are."
    )
    st.markdown(f"**Rights.** {RIGHTS}")
    write, load = st.columns(2)
    write.button(
        "Write the folder", type="primary", width="stretch", key="export",
        on_click=lambda: _write(catalog, kit, subtype=WIDTHS[width]),
    )  # fmt: skip
    load.link_button(
        "Download as zip", f"/api/export/{page().offer_download(kit)}", width="stretch"
    )
    message = tab().export
    if message.text and message.folder == folder:
        show = {"success": st.success, "warning": st.warning, "error": st.error}
        show[message.kind](message.text)


def _write(catalog: Catalog, kit: Kit, *, subtype: str) -> None:
    folder = st.session_state["export_folder"]
    place = Path(folder.strip()).expanduser()
    if not folder.strip() or not place.is_absolute():
        text = "Enter the full path of a folder that does not exist yet."
        tab().export = ExportMessage(folder, "warning", text)
        return
    try:
        written = catalog.export_kit(kit, place, ExportOptions(subtype=subtype))
        text = f"{count_of(len(written), 'file')} written to {inert(str(place))}"
        tab().export = ExportMessage(folder, "success", text)
    except (CatalogError, OSError) as err:
        tab().export = ExportMessage(folder, "error", inert(str(err)))
