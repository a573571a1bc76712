"""What needs attention after a scan: groups with their counts, one of them opened."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import streamlit as st

from catalog.catalog import Catalog
from catalog.reports import Skipped
from catalog.web.labels import count_of, inert, plain
from catalog.web.state import page
from catalog.web.tab import tab
from catalog.web.views.recordings.drum_review import draw_drum_review
from catalog.web.views.recordings.role_review import draw_role_review, find_unsure
from catalog.web.views.recordings.takes import draw_takes, take_files
from catalog.web.views.review.faults import draw_faults

MANY = 3  # files skipped for one reason; as many get a line with their count


@dataclass(frozen=True)
class Group:
    """One kind of work that a scan leaves."""

    label: str
    count: int
    draw: Callable[[Catalog], None]


def find_groups(catalog: Catalog) -> dict[str, Group]:
    """Return the groups that hold something, by name; counted once for each state of the hits.

    Roles to confirm stay while a round of questions is shown, so that its answers can be undone.
    """
    revision = catalog.revision()
    known = tab().attention
    if known is None or known[0] != revision:
        counts = {
            "roles": len(find_unsure(catalog)),
            "drums": len(catalog.drums.groups()),
            "skipped": len(catalog.review.skipped()),
            "faults": len({fault.hit_id for fault in catalog.review.faults()}),
            "takes": len(take_files(page().hits())),
        }
        known = tab().attention = revision, counts
    counts = known[1]
    groups = {
        "roles": Group("Roles to confirm", counts["roles"], draw_role_review),
        "drums": Group("Drums to name", counts["drums"], draw_drum_review),
        "skipped": Group("Skipped files", counts["skipped"], draw_skipped),
        "faults": Group("Hits with faults", counts["faults"], draw_faults),
        "takes": Group("Takes to cut", counts["takes"], draw_takes),
    }
    is_asking = bool(tab().role_questions) and st.session_state.get("attention") == "roles"
    return {
        name: group
        for name, group in groups.items()
        if group.count or (name == "roles" and is_asking)
    }


def draw_attention(catalog: Catalog, groups: dict[str, Group]) -> None:
    """Draw the choice of a group with the counts, then the chosen group."""
    if not groups:
        st.caption("Nothing needs attention: every file was read and every role is certain.")
        return
    if st.session_state.get("attention") not in groups:
        st.session_state["attention"] = next(iter(groups))
    st.radio(
        "What needs attention", list(groups), key="attention", horizontal=True,
        format_func=lambda name: f"{groups[name].label} ({groups[name].count:,})",
        label_visibility="collapsed",
    )  # fmt: skip
    groups[st.session_state["attention"]].draw(catalog)


def draw_skipped(catalog: Catalog) -> None:
    """Draw the files that could not be used, counted by reason, then one by one."""
    skipped: list[Skipped] = catalog.review.skipped()
    reasons = [file.reason for file in skipped]
    often = [r for r in dict.fromkeys(reasons) if reasons.count(r) >= MANY]
    for reason in sorted(often, key=reasons.count, reverse=True):
        st.markdown(f"- {count_of(reasons.count(reason), 'file')}: {inert(reason)}")
    st.dataframe(
        {
            "file": [plain(file.path.name) for file in skipped],
            "reason and remedy": [plain(file.reason) for file in skipped],
            "folder": [plain(str(file.path.parent)) for file in skipped],
        },
        hide_index=True,
    )
    st.caption("After repairing them scan the folder again; only changed files are read.")
