"""The history of set-aside and hidden hits, with undo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.library.files.set_aside import AS_IT_IS
from catalog.library.files.undo import UNDOABLE
from catalog.models import Action, HistoryEvent, State
from catalog.web.labels import count_of, inert, when_word
from catalog.web.tab import tab

N_STEPS = 30  # shown; the command line lists all
N_NAMES = 3  # file names shown of a step
ACTION_LABELS = {
    "set aside": "set aside", "restore": "restored", "hide": "hidden", "unhide": "shown again",
    "role": "role changed",
}  # fmt: skip


def draw_history(catalog: Catalog) -> None:
    """Draw the last notice, then the steps, the newest first."""
    _draw_notice(catalog)
    st.markdown("#### History")
    steps = [list(group) for _, group in groupby(catalog.history(), key=lambda e: e.step)]
    steps = [step for step in steps if step[0].action in UNDOABLE]
    if not steps:
        st.caption("Nothing has been set aside yet.")
        return
    away = {hit.id: hit.state for hit in catalog.hits(states=(State.ASIDE, State.HIDDEN))}
    for step in reversed(steps[-N_STEPS:]):
        _draw_step(catalog, step, away)
    if len(steps) > N_STEPS:
        st.caption(f"{len(steps) - N_STEPS:,} earlier steps; `catalog history` lists them.")
    if away:
        label = f"Restore all ({len(away)})"
        st.button(label, key="undo_all", on_click=lambda: _undo(catalog, None))


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


def _draw_step(catalog: Catalog, step: Sequence[HistoryEvent], away: Mapping[int, str]) -> None:
    line, button = st.columns([6, 1], vertical_alignment="center")
    first = step[0]
    names = ", ".join(inert(event.source.name) for event in step[:N_NAMES])
    more = f" and {len(step) - N_NAMES:,} more" if len(step) > N_NAMES else ""
    count = f"{count_of(len(step), 'hit')}: " if len(step) > 1 else ""
    reason = f", {inert(first.reason)}" if first.reason else ""
    when = f"{when_word(first.time_utc)}{reason}"
    line.markdown(f"{count}{names}{more} — {ACTION_LABELS[first.action]}  \n:small[{when}]")
    if _holds(step, away):
        button.button(
            "Restore" if first.action in (Action.SET_ASIDE, Action.HIDE) else "Undo",
            key=f"back_{first.step}",
            on_click=lambda: _undo(catalog, [first.step]),
        )


def _holds(step: Sequence[HistoryEvent], away: Mapping[int, str]) -> bool:
    """Return whether some hit is still in the state that this step left."""
    after = {Action.SET_ASIDE: State.ASIDE, Action.HIDE: State.HIDDEN}.get(step[0].action)
    return any(away.get(event.hit_id) == after for event in step)


def _undo(catalog: Catalog, steps: list[int] | None) -> None:
    tab().clear_notice()
    try:
        undone = catalog.files.undo(steps)
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
    tab().not_undone = [why for _, why in undone.left]
    tab().changed_aside = [hit_id for hit_id, why in undone.left if AS_IT_IS in why]
