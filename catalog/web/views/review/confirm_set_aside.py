"""The question before files are moved: their list, annotations, kits that need them."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError, StoreError
from catalog.models import State
from catalog.web.labels import count_of, inert
from catalog.web.tab import tab

REASON = "the same recording as another file"
LIST_HEIGHT = 260  # pixels; longer lists scroll


def needs_confirmation(catalog: Catalog, hit_ids: Sequence[int]) -> bool:
    """Open the question if more follows than the moves themselves; return whether it opened.

    Kits may need the hits, files may stay, and annotations may be handed over.

    Raises
    ------
    StoreError
        if another tab or program has moved or hidden one already
    """
    for hit in map(catalog.hit, hit_ids):
        if hit.state != State.HERE:
            state = "set aside already" if hit.state == State.ASIDE else f"{hit.state} already"
            raise StoreError(f"{hit.name}: is {state}; nothing was moved")
    stuck = catalog.files.obstacles(hit_ids, keep_exports=True)
    given = catalog.files.plan_hand_over(hit_ids)
    if not catalog.files.kits_using(hit_ids) and not stuck and not given:
        return False
    tab().picked_copies = list(hit_ids)
    tab().confirms_set_aside = True
    return True


def set_aside_now(catalog: Catalog, hit_ids: Sequence[int], *, hidden: Sequence[int] = ()) -> None:
    """Set hits aside, hide those that cannot be moved, and show a notice.

    Raises
    ------
    CatalogError
        if the file to keep is missing or changed, or a file cannot be moved; what was moved before
        that is in the history
    """
    if faults := catalog.duplicates.keeper_faults(hit_ids):
        raise StoreError(f"{next(iter(faults.values()))}. Nothing was moved.")
    done = catalog.set_aside(hit_ids, reason=REASON, even_in_kits=True) if hit_ids else []
    if hidden:
        catalog.files.hide(hidden, reason=REASON)
    parts = [f"{count_of(len(done), 'file')} set aside"] if done else []
    parts += [f"{count_of(len(hidden), 'hit')} hidden"] if hidden else []
    tab().picked_copies = []
    tab().clear_notice()
    tab().notice = f"{', '.join(parts)}; undo it below."


def _close() -> None:
    tab().confirms_set_aside = False


@st.dialog("Set aside?", width="medium", on_dismiss=_close)
def confirm_set_aside(catalog: Catalog, picked: Sequence[int]) -> None:
    """Draw the question before files are moved."""
    if not tab().confirms_set_aside:
        st.rerun()  # answered: the question closes
    stuck = catalog.files.obstacles(picked, keep_exports=True)
    used = catalog.files.kits_using(picked)
    free = [i for i in picked if i not in stuck and i not in used]
    needed = [i for i in picked if i in used and i not in stuck]
    immovable = [i for i in picked if i in stuck]
    if free:
        st.markdown(
            f"{count_of(len(free), 'file')} will be moved into the catalog's own folder. Nothing "
            "is deleted: each can be put back from the history, byte for byte, to where it was."
        )
        with st.container(height=min(LIST_HEIGHT, 40 + 28 * len(free))):
            st.markdown("\n".join(f"- {inert(catalog.hit(i).name)}" for i in free))
    with_needed = _draw_needed(catalog, needed, used)
    _draw_handed_over(catalog, [*free, *(needed if with_needed else [])])
    with_hidden = _draw_hidden(immovable, stuck)
    go = [*free, *(needed if with_needed else [])]
    hidden = immovable if with_hidden else []
    st.button(
        "Yes, set aside", type="primary", key="aside_yes", disabled=not go and not hidden,
        on_click=lambda: _set_aside(catalog, go, hidden),
    )  # fmt: skip


def _set_aside(catalog: Catalog, hit_ids: Sequence[int], hidden: Sequence[int]) -> None:
    """Set hits aside and hide others; an error is shown on the page."""
    _close()
    tab().action_error = ""
    try:
        set_aside_now(catalog, hit_ids, hidden=hidden)
    except (CatalogError, OSError) as err:
        tab().action_error = str(err)


def _draw_needed(
    catalog: Catalog, hit_ids: Sequence[int], used: dict[int, tuple[str, ...]]
) -> bool:
    if not hit_ids:
        return False
    st.markdown("**Saved kits need these.** Without them such a kit cannot be exported:")
    lines = [f"- {inert(catalog.hit(i).name)}, in {inert(', '.join(used[i]))}" for i in hit_ids]
    st.markdown("\n".join(lines))
    return st.checkbox("Set these aside as well", key="aside_needed")


def _draw_handed_over(catalog: Catalog, hit_ids: Sequence[int]) -> None:
    given = catalog.files.plan_hand_over(hit_ids)
    if not given:
        return
    st.markdown("**What you noted goes to the file that stays,** until these are put back:")
    lines = [
        f"- {inert(catalog.hit(i).name)} to {inert(catalog.hit(k).name)}" for i, k in given.items()
    ]
    st.markdown("\n".join(lines))


def _draw_hidden(hit_ids: Sequence[int], stuck: dict[int, str]) -> bool:
    if not hit_ids:
        return False
    st.markdown("**These stay where they are:**")
    st.markdown("\n".join(f"- {inert(stuck[i])}" for i in hit_ids))
    return st.checkbox(
        "Hide them in the catalog instead; their files are not touched", key="aside_hidden"
    )
