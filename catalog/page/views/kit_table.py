"""The kit on the table: what lies on it, what the browser is told of it, one change at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from catalog.errors import CatalogError
from catalog.facade import Catalog
from catalog.kit.assemble import Kit
from catalog.kit.slots import SLOTS
from catalog.page.packed import describe_row
from catalog.page.wording import plain, slot_word


def current_kit() -> Kit:
    """Give the kit on the table; an empty one at first."""
    kit = st.session_state.get("kit_now")
    return kit if isinstance(kit, Kit) else Kit(name="")


def put_kit(kit: Kit) -> None:
    """Lay a kit on the table, its places in the order of a kit."""
    order = {slot: ids for slot in SLOTS if (ids := kit.slots.get(slot))}
    st.session_state["kit_now"] = replace(kit, slots=order)


def describe_kit(catalog: Catalog) -> list[dict[str, Any]]:
    """Give what the browser needs of each filled place; hits that are gone are left out."""
    kit, here = current_kit(), []
    for slot, ids in kit.slots.items():
        rows = []
        for hit_id in ids:
            try:
                row = describe_row(catalog.hit(hit_id))
            except CatalogError:
                continue
            rows.append({k: row[k] for k in ("id", "stamp", "match_db", "name", "role", "session")})
        if rows:
            here.append(
                {
                    "slot": slot,
                    "label": slot_word(slot),
                    "choke": SLOTS[slot].choke,
                    "locked": slot in kit.locked,
                    "why": [plain(line) for line in kit.why.get(slot, ())],
                    "hits": rows,
                }
            )
    return here


def change_kit(catalog: Catalog, kit: Kit, act: dict[str, Any]) -> Kit:
    """Give the kit with one place changed.

    Parameters
    ----------
    catalog : Catalog
    kit : Kit
    act : dict
        "op": "assign" (with "id"), "lock" (on and off), "swap" or "clear"; "slot"

    Returns
    -------
    Kit

    Raises
    ------
    CatalogError
        if the hit is unknown or no other fits
    """
    slot = str(act["slot"])
    if act["op"] == "assign":
        hit = catalog.hit(int(act["id"]))
        slots, why = {**kit.slots, slot: (hit.id,)}, {**kit.why, slot: ("your own choice",)}
        return replace(kit, slots=slots, why=why, locked=kit.locked | {slot})
    if slot not in kit.slots:
        return kit
    if act["op"] == "lock":
        return replace(kit, locked=kit.locked ^ {slot})
    if act["op"] == "swap":
        swapped: Kit = catalog.swap(kit, slot)
        return swapped
    slots = {name: ids for name, ids in kit.slots.items() if name != slot}
    return replace(kit, slots=slots, locked=kit.locked - {slot})
