"""Copies: groups of hits that are the same recording, and uncertain pairs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from catalog.catalog import Catalog
from catalog.duplicates.groups import CopyGroup, UncertainPair
from catalog.errors import CatalogError
from catalog.models import Hit
from catalog.web.labels import count_of, inert, plain
from catalog.web.payloads import format_text, pick_row
from catalog.web.tab import tab
from catalog.web.views.actions import run_action
from catalog.web.views.component import mount_audition
from catalog.web.views.recordings.progress import PageProgressBar
from catalog.web.views.review.confirm_set_aside import confirm_set_aside
from catalog.web.views.review.history import draw_history

GROUPS_PER_PAGE = 8  # groups
MAX_PAIRS = 12  # uncertain pairs shown
CERTAIN = 0.99  # evidence from which a copy is certain; a judgement, no source
HEADING = "Copies in the catalog"


def draw_duplicates(catalog: Catalog) -> None:
    """Draw the groups and the history."""
    try:
        groups, uncertain = _find_groups(catalog)
    except CatalogError as err:  # a verdict is damaged, and nothing is to be decided without it
        st.error(inert(str(err)))
        return
    if groups:
        _draw_count(groups)
    else:
        st.markdown(
            "**No copies were found.** Each recording is in the catalog once; other strokes of the "
            "same drum are never counted as copies."
        )
    buttons = st.container(horizontal=True, vertical_alignment="center")
    shown = _select_page(groups)
    picked = _read_selection(groups)
    _draw_error(catalog)
    if groups or uncertain:
        mount_audition(
            "copies",
            {
                "groups": [_describe(catalog, group) for group in shown],
                "picked": picked,
                "pairs": [_describe_pair(catalog, pair) for pair in uncertain[:MAX_PAIRS]],
            },
            default={"picked": []},
            on_picked_change=_store_selection,
            on_action_change=lambda: run_action(catalog, "copies"),
        )
    with buttons:
        _draw_buttons(catalog, groups, picked)
    if picked and tab().confirms_set_aside:
        confirm_set_aside(catalog, picked)
    draw_history(catalog)


def _draw_count(groups: Sequence[CopyGroup]) -> None:
    n_others = sum(len(group.others) for group in groups)
    st.markdown(
        f"**{count_of(len(groups), 'recording')} with {count_of(n_others, 'further file')}.** "
        "Listen before you decide. The reason beside a group explains which file is kept."
    )


def _find_groups(catalog: Catalog) -> tuple[list[CopyGroup], list[UncertainPair]]:
    """Return groups and uncertain pairs, found once for each state of the catalog."""
    known = tab().copies
    revision = catalog.revision()
    if known is None or known[0] != revision:
        slot = st.empty()
        bar = PageProgressBar(slot.progress(0.0, "Comparing hits that sound alike …"))
        known = (revision, catalog.copies(bar), catalog.duplicates.uncertain_pairs())
        slot.empty()
        tab().copies = known
    return list(known[1]), list(known[2])


def _select_page(groups: Sequence[CopyGroup]) -> Sequence[CopyGroup]:
    n_pages = -(-len(groups) // GROUPS_PER_PAGE)
    page_number = st.number_input("Page", 1, n_pages, key="sheet", width=160) if n_pages > 1 else 1
    return groups[(page_number - 1) * GROUPS_PER_PAGE : page_number * GROUPS_PER_PAGE]


def _store_selection() -> None:
    """Store the selection of the browser."""
    tab().picked_copies = list(st.session_state["copies"]["picked"] or [])


def _read_selection(groups: Sequence[CopyGroup]) -> list[int]:
    known = {hit_id for group in groups for hit_id in group.others}
    return [i for i in tab().picked_copies if i in known]


def _draw_error(catalog: Catalog) -> None:
    """Draw the last error and a button that undoes the last verdict, in one container."""
    with st.container():
        if error := tab().action_error:
            st.error(inert(error))
        verdicts = tab().verdicts
        if verdicts and st.button("Undo the last answer", key="undo_verdict"):
            try:
                catalog.files.undo([verdicts.pop()])
            except CatalogError as err:
                tab().action_error = str(err)
            st.rerun()


def _draw_buttons(catalog: Catalog, groups: Sequence[CopyGroup], picked: list[int]) -> None:
    if not groups:
        return
    pairs = [pair for group in groups for pair in zip(group.others, group.evidence, strict=False)]
    certain = [hit_id for hit_id, evidence in pairs if evidence >= CERTAIN]
    if st.button(f"Select all certain copies ({len(certain)})", disabled=not certain):
        tab().picked_copies = certain
        st.rerun()
    if st.button("Select none", disabled=not picked):
        tab().picked_copies = []
        st.rerun()
    label = f"Set {count_of(len(picked), 'file')} aside …" if picked else "Set aside …"
    if st.button(label, type="primary", disabled=not picked, key="aside"):
        tab().confirms_set_aside = True
    st.download_button(
        "Report as text", data=lambda: catalog.duplicates.report(heading=HEADING),
        file_name="copies.txt", mime="text/plain", on_click="ignore", key="copies_report",
    )  # fmt: skip


def _describe(catalog: Catalog, group: CopyGroup) -> dict[str, Any]:
    ids = (group.keep, *group.others)
    kits_by_hit, immovable = catalog.files.kits_using(ids), catalog.files.obstacles(group.others)
    rows = []
    for hit_id, evidence in zip(ids, (None, *group.evidence), strict=True):
        hit = catalog.hit(hit_id)
        agree = "" if evidence is None else f"samples agree to {100 * evidence:.1f} %; "
        row = pick_row(hit) | {"words": agree + _about_file(hit)}
        row["kits"] = [plain(name) for name in kits_by_hit.get(hit_id, ())]
        row["stuck"] = "cannot be moved from its folder" if hit_id in immovable else ""
        rows.append(row)
    relation, reason = f"The same recording in {len(ids)} files", plain(group.reason)
    return {"keep": rows[0], "others": rows[1:], "relation": relation, "reason": reason}


def _describe_pair(catalog: Catalog, pair: UncertainPair) -> dict[str, Any]:
    first, second = catalog.hit(pair.first), catalog.hit(pair.second)
    return {
        "first": pick_row(first) | {"words": _about_file(first)},
        "second": pick_row(second) | {"words": _about_file(second)},
        "words": f"its samples agree to {100 * pair.evidence:.1f} %",
    }


def _about_file(hit: Hit) -> str:
    length_s = (hit.stop - hit.start) / hit.sr
    place = f"in {hit.path.parent.name}" if hit.path.parent.name else ""
    return plain(", ".join(filter(None, (format_text(hit), f"{length_s:.2f} s", place))))
