"""Twice: groups that hold the same recording; set one or all aside, and undo it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from catalog.errors import CatalogError
from catalog.facade import Catalog
from catalog.library.records import Hit
from catalog.page.packed import describe_row, format_words
from catalog.page.views.audition import mount_audition
from catalog.page.views.progress import Bar
from catalog.page.wording import count_of, inert, plain

PER_SHEET = 8  # groups shown at once
CERTAIN = 0.99  # evidence from which "all certain" picks; a judgement, no source
N_EVENTS = 30  # of the history shown
WHY = "the same recording as another file"


def draw_twice(catalog: Catalog, *, is_open: bool) -> None:
    """Draw the groups and the history; nothing is compared before the part is opened."""
    if not is_open:
        st.caption("Open this part to look for what is there twice.")
        return
    groups = _groups(catalog)
    if groups:
        _draw_groups(catalog, groups)
    else:
        st.markdown(
            "**Nothing is there twice.** Every recording is in the catalog once, as far as the "
            "samples tell; other strokes of the same drum are never counted as copies."
        )
    _draw_history(catalog)


def _groups(catalog: Catalog) -> list[Any]:
    """Compare once for each state of the catalog."""
    known = st.session_state.get("twice_groups")
    revision = catalog.revision()
    if known is None or known[0] != revision:
        bar = st.progress(0.0, "Comparing the samples of what sounds alike …")
        known = (revision, catalog.copies(Bar(bar)))
        bar.empty()
        st.session_state["twice_groups"] = known
    return list(known[1])


def _draw_groups(catalog: Catalog, groups: Sequence[Any]) -> None:
    n_others = sum(len(group.others) for group in groups)
    st.markdown(
        f"**{count_of(len(groups), 'recording')} with {count_of(n_others, 'further file')}.** "
        "Listen before you decide; the file that stays is the better one by what is said beside it."
    )
    buttons = st.container(horizontal=True, vertical_alignment="center")
    n_sheets = -(-len(groups) // PER_SHEET)
    sheet = st.number_input("Sheet", 1, n_sheets, key="sheet", width=160) if n_sheets > 1 else 1
    shown = groups[(sheet - 1) * PER_SHEET : sheet * PER_SHEET]
    picked = _picked(groups)
    mount_audition(
        "twice",
        {"groups": [_describe(catalog, group) for group in shown], "picked": picked},
        default={"picked": []},
        on_picked_change=_take_picked,
    )
    with buttons:
        _draw_buttons(catalog, groups, picked)


def _take_picked() -> None:
    """Join what was ticked on this sheet with what stays picked on the others."""
    st.session_state["twice_picked"] = list(st.session_state["twice"]["picked"] or [])


def _picked(groups: Sequence[Any]) -> list[int]:
    known = {hit_id for group in groups for hit_id in group.others}
    return [i for i in st.session_state.get("twice_picked", []) if i in known]


def _draw_buttons(catalog: Catalog, groups: Sequence[Any], picked: list[int]) -> None:
    certain = [
        i
        for group in groups
        for i, evidence in zip(group.others, group.evidence, strict=False)
        if evidence >= CERTAIN
    ]
    if st.button(f"Pick all certain ones ({len(certain)})", disabled=not certain):
        st.session_state["twice_picked"] = certain
        st.rerun()
    if st.button("Pick none", disabled=not picked):
        st.session_state["twice_picked"] = []
        st.rerun()
    label = f"Set {count_of(len(picked), 'file')} aside …" if picked else "Set aside …"
    if st.button(label, type="primary", disabled=not picked, key="aside"):
        st.session_state["twice_asking"] = True
    if picked and st.session_state.get("twice_asking"):
        _confirm(catalog, picked)


def _forget_asking() -> None:
    st.session_state["twice_asking"] = False


@st.dialog("Set aside?", width="medium", on_dismiss=_forget_asking)
def _confirm(catalog: Catalog, picked: list[int]) -> None:
    st.markdown(
        f"{count_of(len(picked), 'file')} will be moved into the catalog's own folder. Nothing is "
        "deleted: each can be put back from the history, byte for byte, to where it was."
    )
    names = [inert(catalog.hit(i).name) for i in picked]
    with st.container(height=min(260, 40 + 28 * len(names))):
        st.markdown("\n".join(f"- {name}" for name in names))
    if st.button("Yes, set aside", type="primary", key="aside_yes"):
        _forget_asking()
        try:
            done = catalog.set_aside(picked, reason=WHY)
        except (CatalogError, OSError) as err:
            st.error(inert(str(err)))
            return
        st.session_state["twice_picked"] = []
        st.session_state["said"] = f"{count_of(len(done), 'file')} set aside; undo it below."
        st.rerun()


def _describe(catalog: Catalog, group: Any) -> dict[str, Any]:
    kept = catalog.hit(group.keep)
    keep = describe_row(kept) | {"words": _about_file(kept)}
    others = []
    for hit_id, evidence in zip(group.others, group.evidence, strict=False):
        hit = catalog.hit(hit_id)
        row = describe_row(hit)
        row["words"] = f"samples agree to {100 * evidence:.1f} %; {_about_file(hit)}"
        others.append(row)
    return {"keep": keep, "others": others, "reason": plain(group.reason)}


def _about_file(hit: Hit) -> str:
    length_s = (hit.stop - hit.start) / hit.sr
    place = f"in {hit.path.parent.name}" if hit.path.parent.name else ""
    return plain(", ".join(filter(None, (format_words(hit), f"{length_s:.2f} s", place))))


def _draw_history(catalog: Catalog) -> None:
    said = st.session_state.pop("said", None)
    if said:
        st.success(said)
    st.markdown("#### History")
    events = catalog.history()
    if not events:
        st.caption("Nothing has been set aside so far. What you set aside is listed here.")
        return
    aside = {hit.id for hit in catalog.hits(states=("aside",))}
    seen: set[int] = set()
    for event in reversed(events[-N_EVENTS:]):
        line, deed = st.columns([6, 1], vertical_alignment="center")
        when = event.time_utc[:16].replace("T", " ")
        line.markdown(f"{inert(event.source.name)} — {inert(event.action)}  \n:small[{when} UTC]")
        last = event.hit_id in aside and event.hit_id not in seen
        if last and deed.button("Put back", key=f"back_{event.id}"):
            _put_back(catalog, event.hit_id)
        seen.add(event.hit_id)


def _put_back(catalog: Catalog, hit_id: int) -> None:
    try:
        catalog.restore([hit_id])
    except (CatalogError, OSError) as err:
        st.error(inert(str(err)))
        return
    st.session_state["said"] = f"{inert(catalog.hit(hit_id).name)} is back where it was."
    st.rerun()
