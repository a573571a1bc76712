"""Groups of hits that look like strokes of one drum, named in whole or in part, or refused."""

from __future__ import annotations

from typing import Any

import streamlit as st

from catalog.catalog import Catalog
from catalog.search.drums.groups import DrumGroup
from catalog.web.labels import count_of, inert, plain
from catalog.web.payloads import pick_row
from catalog.web.tab import tab
from catalog.web.views.actions import run_action
from catalog.web.views.component import mount_audition

PER_SHEET = 6  # groups
MAX_HITS = 40  # of a group that are shown, and named together


def draw_drum_review(catalog: Catalog) -> None:
    """Draw the largest groups; those behind them follow when these are decided."""
    groups = catalog.drums.groups()
    st.caption(
        f"{count_of(len(groups), 'group')} of hits without a drum name that look like one drum. "
        "Untick what is not of it. Named drums make the search for other strokes better."
    )
    if error := tab().action_error:
        st.error(inert(error))
    mount_audition(
        "drum_review",
        {"groups": [_group(catalog, group) for group in groups[:PER_SHEET]]},
        on_action_change=lambda: run_action(catalog, "drum_review"),
    )


def _group(catalog: Catalog, group: DrumGroup) -> dict[str, Any]:
    """Return one group for the browser."""
    return {
        "role": group.role,
        "damping": group.damping,
        "session": plain(group.session),
        "hits": [pick_row(catalog.hit(hit_id)) for hit_id in group.hit_ids[:MAX_HITS]],
    }
