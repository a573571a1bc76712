"""The history of what the user did, act by act, with undo."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.library.files.set_aside import AS_IT_IS
from catalog.models import Action, State
from catalog.reports import Act
from catalog.web.labels import count_of, inert, when_word
from catalog.web.tab import tab

N_ACTS = 30  # shown; the command line lists all


def draw_history(catalog: Catalog) -> None:
    """Draw the last notice, then what was done, act by act, the newest first."""
    _draw_notice(catalog)
    _draw_taste(catalog)
    st.markdown("#### History")
    acts = [act for act in catalog.files.acts(N_ACTS + 1) if act.n_changes]
    if not acts:
        st.caption("Nothing has been done yet.")
        return
    for act in reversed(acts[-N_ACTS:]):
        _draw_act(catalog, act)
    if len(acts) > N_ACTS:
        st.caption("`catalog history --all` lists earlier acts.")
    away = catalog.hits(states=(State.ASIDE, State.HIDDEN))
    if away:
        label = f"Restore all ({len(away)})"
        st.button(label, key="undo_all", on_click=lambda: _undo(catalog, None))


def _draw_taste(catalog: Catalog) -> None:
    """Draw what was learned from the user's choices, and the button that forgets it."""
    report = catalog.taste.report()
    if not report.n_choices:
        return
    st.markdown("#### Your taste")
    text, button = st.columns([5, 1.2], vertical_alignment="center")
    if report.is_used:
        words = ", ".join(report.prefers) or "no clear preference"
        text.caption(f"Learned from {report.n_choices} choices: {inert(words)}.")
    else:
        text.caption(
            f"{count_of(report.n_choices, 'choice')} so far; from {report.needed} on they move "
            "similar hits and kits."
        )
    if button.button("Forget", key="forget_taste", width="stretch"):
        catalog.taste.forget()
        st.rerun()


def draw_move_warnings(catalog: Catalog) -> None:
    """Draw damaged annotations, and why interrupted moves could not be completed."""
    for text in catalog.files.damage():
        st.error(inert(text))
    warnings = catalog.files.warnings()
    if not warnings:
        return
    for text in warnings:
        st.warning(f"A move was interrupted. {inert(text)}")
    st.button("Dismiss the warnings", key="clear_warnings", on_click=catalog.files.clear_warnings)


def _draw_notice(catalog: Catalog) -> None:
    """Show the notice of the last action until the catalog changes: a run may be interrupted."""
    state = tab()
    if not state.notice and not state.not_undone:
        return
    if state.notice_revision is None:
        state.notice_revision = catalog.revision()
    if state.notice_revision != catalog.revision():
        state.clear_notice()
        return
    if state.notice:
        st.success(state.notice)
    for reason in state.not_undone:
        st.warning(inert(reason))
    if state.changed_aside:
        st.button(
            "Restore the changed files as they are", key="as_it_is",
            on_click=lambda: _restore_as_it_is(catalog, state.changed_aside),
        )  # fmt: skip


def _restore_as_it_is(catalog: Catalog, hit_ids: Sequence[int]) -> None:
    tab().clear_notice()
    try:
        events = catalog.files.restore(hit_ids, as_it_is=True)
    except (CatalogError, OSError) as err:
        tab().not_undone = [str(err)]
        return
    tab().notice = f"Restored {count_of(len(events), 'hit')}; scan again to measure them."


def _draw_act(catalog: Catalog, act: Act) -> None:
    line, button = st.columns([6, 1], vertical_alignment="center")
    state = " — undone" if act.undone else ""
    when = when_word(act.time_utc)
    line.markdown(f"{inert(act.summary)} — {inert(act.verb)}{state}  \n:small[{when}]")
    if not act.undone:
        button.button(
            "Restore" if act.verb in (Action.SET_ASIDE, Action.HIDE) else "Undo",
            key=f"back_{act.id}",
            on_click=lambda: _undo(catalog, [act.id]),
        )


def _undo(catalog: Catalog, acts: list[int] | None) -> None:
    """Undo some acts; None for all that set files aside or hid hits."""
    tab().clear_notice()
    try:
        undone = catalog.files.undo(acts, everything=acts is None)
    except (CatalogError, OSError) as err:
        tab().not_undone = [str(err)]
        return
    n_done = len({event.hit_id for event in undone.events})
    if n_done == 1:
        name = inert(catalog.hit(undone.events[0].hit_id).name)
        aside = undone.events[0].action in (Action.SET_ASIDE, Action.HIDE)
        tab().notice = f"{name} is {'set aside or hidden' if aside else 'restored'}."
    elif n_done:
        tab().notice = f"Undone for {count_of(n_done, 'hit')}."
    elif undone.acts:
        tab().notice = f"Undone: {inert(undone.acts[0].verb)}, {inert(undone.acts[0].summary)}."
    tab().not_undone = [why for _, why in undone.left]
    tab().changed_aside = [hit_id for hit_id, why in undone.left if AS_IT_IS in why]
