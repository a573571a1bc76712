"""Kit: places filled by hand or by fit, heard, named, reopened and handed over."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit
from catalog.web import state as opened
from catalog.web.kit_session.session import current_kit, open_draft
from catalog.web.labels import RIGHTS, count_of, inert, slot_word
from catalog.web.views.browse.search_filter import summarize
from catalog.web.views.component import mount_audition
from catalog.web.views.kit.kit_balance import change_table, draw_balance
from catalog.web.views.kit.saved_kits import draw_kept

USUAL = (
    "kick", "snare", "sidestick", "hat_closed", "hat_pedal", "hat_open", "tom_low", "tom_mid",
    "tom_high", "crash", "ride",
)  # fmt: skip
WIDTHS = {"24-bit (usual)": "PCM_24", "16-bit": "PCM_16", "32-bit float": "FLOAT"}


def find_fillable(hits: Sequence[Hit]) -> list[str]:
    """Give the places for which there is a hit of a fitting role, in the order of a kit."""
    roles = set(summarize(hits).roles)
    return [name for name, slot in SLOTS.items() if roles & set(slot.roles)]


def draw_kit(catalog: Catalog) -> None:
    """Draw the places, then filling, keeping and handing over."""
    _draw_filling(catalog)
    trouble = st.container()
    if words := st.session_state.pop("kit_trouble", None):
        trouble.error(inert(words))
    mount_audition(
        "kit", {"kit_revision": open_draft(catalog).revision}, on_changed_change=lambda: None
    )
    st.caption(
        "Click into the kit, then play it by the letters on the cards. Hats stop each other."
    )
    draw_balance(catalog, current_kit(catalog))
    keeping, handing = st.columns(2, gap="large")
    with keeping:
        draw_kept(catalog)
    with handing:
        _draw_export(catalog)


def _draw_filling(catalog: Catalog) -> None:
    row = st.container(horizontal=True, vertical_alignment="center")
    fill = row.container(width="content")
    fillable = find_fillable(opened.current_hits())
    usual = [slot for slot in USUAL if slot in fillable]
    n_places = len(st.session_state.get("places", usual))
    with row.popover(f"Places to fill ({n_places})"):
        wanted = st.pills(
            "Places to fill",
            fillable,
            selection_mode="multi",
            default=usual,
            format_func=slot_word,
            key="places",
            label_visibility="collapsed",
        )
    layers = row.container(width="content")
    clear = row.container(width="content")
    # Done before the page is drawn, so that a press is never lost to another change.
    empty = not current_kit(catalog).slots
    fill.button(
        "Fill the rest",
        type="primary",
        key="fill",
        on_click=lambda: change_table(catalog, {"op": "fill", "places": wanted}),
    )
    layers.button(
        "Add other strokes",
        key="layers",
        disabled=empty,
        on_click=lambda: change_table(catalog, {"op": "layers"}),
    )
    clear.button(
        "Start anew",
        key="anew",
        disabled=empty,
        on_click=lambda: change_table(catalog, {"op": "anew"}),
    )


def _draw_export(catalog: Catalog) -> None:
    st.markdown("#### Hand over")
    kit = current_kit(catalog)
    if not kit.slots:
        st.caption("Fill at least one place, then the kit can be written as open files.")
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
        "Write the folder",
        type="primary",
        width="stretch",
        key="export",
        on_click=lambda: _write(catalog, kit, subtype=WIDTHS[width]),
    )
    load.link_button("Download as zip", f"/api/export/{opened.put_outgoing(kit)}", width="stretch")
    asked, kind, words = st.session_state.get("export_said", ("", "", ""))
    if words and asked == folder:
        {"done": st.success, "asked": st.warning, "failed": st.error}[kind](words)


def _write(catalog: Catalog, kit: Kit, *, subtype: str) -> None:
    folder = st.session_state["export_folder"]
    place = Path(folder.strip()).expanduser()
    if not folder.strip() or not place.is_absolute():
        said = "asked", "Give the whole path of a folder that does not exist yet."
    else:
        try:
            written = catalog.export_kit(kit, place, ExportOptions(subtype=subtype))
            said = "done", f"{count_of(len(written), 'file')} written to {inert(str(place))}"
        except (CatalogError, OSError) as err:
            said = "failed", inert(str(err))
    st.session_state["export_said"] = (folder, *said)
