"""Faults of hits: sorted, played at their place in time, dismissed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import streamlit as st

from catalog.catalog import Catalog
from catalog.features.faults import FAULT_KINDS
from catalog.library.review.faults import HitFault
from catalog.models import Hit
from catalog.web.labels import inert, plain
from catalog.web.payloads import pick_row
from catalog.web.tab import tab
from catalog.web.views.actions import run_action
from catalog.web.views.component import mount_audition

PER_SHEET = 12
ORDERS = {"weight": "most serious first", "kind": "by kind", "hit": "by hit"}
EVERY = ""


def draw_faults(catalog: Catalog) -> None:
    """Draw the faults of one kind or of all, with the spot of each to play."""
    first, second, third = st.columns([2, 2, 1.4], vertical_alignment="bottom")
    order = second.selectbox("Order", list(ORDERS), format_func=ORDERS.__getitem__)
    dismissed = third.toggle("show dismissed", key="faults_gone")
    faults = catalog.review.faults(dismissed=dismissed, sort=order)
    counts = Counter(fault.kind for fault in faults)
    kind = first.selectbox(
        "Fault", [EVERY, *(k for k in FAULT_KINDS if counts[k])], key="faults_kind",
        format_func=lambda k: (
            f"{FAULT_KINDS[k].label} ({counts[k]})" if k else f"all ({len(faults)})"
        ),
    )  # fmt: skip
    wanted = [fault for fault in faults if kind in (EVERY, fault.kind)]
    if error := tab().action_error:
        st.error(inert(error))
    if not wanted:
        st.caption("No faults were found.")
        return
    n_sheets = -(-len(wanted) // PER_SHEET)
    sheet = 1
    if n_sheets > 1:
        sheet = int(st.number_input(f"Page, of {n_sheets}", 1, n_sheets, 1, key="faults_sheet"))
    hits = {hit.id: hit for hit in catalog.hits(microphones=True)}
    shown = [f for f in wanted[(sheet - 1) * PER_SHEET : sheet * PER_SHEET] if f.hit_id in hits]
    mount_audition(
        "faults",
        {"rows": [describe_fault(fault, hits) for fault in shown]},
        on_action_change=lambda: run_action(catalog, "faults"),
    )
    if kind:
        st.caption(f"{FAULT_KINDS[kind].meaning}. What helps: {FAULT_KINDS[kind].advice}.")


def describe_fault(fault: HitFault, hits: Mapping[int, Hit]) -> dict[str, Any]:
    """Return one fault for the browser.

    "from_s" and "to_s" lie within what is played of the hit; both are 0 if the spot is outside it.
    """
    hit = hits[fault.hit_id]
    length_s = (hit.stop - hit.start) / hit.sr
    from_s = fault.at_s - hit.start / hit.sr
    inside = 0.0 <= from_s < length_s
    amount = f"{fault.value:g} {fault.unit}".strip().replace("-", "−")
    where = (
        f"at {fault.at_s:.3f} s of the file" if fault.at_s or not fault.length_s else "throughout"
    )
    channel = f", channel {fault.channel + 1}" if fault.channel >= 0 else ""
    return pick_row(hit) | {
        "kind": fault.kind,
        "what": f"{fault.label}: {amount}",
        "where": where + channel + ("" if inside else ", outside the stroke"),
        "advice": plain(FAULT_KINDS[fault.kind].advice),
        "weight": fault.weight,
        "from_s": round(from_s, 4) if inside else 0.0,
        "to_s": round(min(from_s + fault.length_s, length_s), 4) if inside else 0.0,
        "length_s": round(length_s, 4),
        "dismissed": fault.dismissed,
    }
