"""Hits left out of everything while their files stay: for places that are not to be changed."""

from __future__ import annotations

from collections.abc import Sequence

from catalog.errors import StoreError
from catalog.library.store.hits import Store
from catalog.models import Action, HistoryEvent, State


def hide_hits(
    store: Store, hit_ids: Sequence[int], *, reason: str = "", step: int = 0
) -> list[HistoryEvent]:
    """Leave hits out of lists, searches, copies and kits; no file is touched.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int
    reason : str
        kept in the history
    step : int
        of the history; 0 is a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is unknown, set aside, or hidden already; then none is hidden
    """
    return _turn(store, hit_ids, hidden=True, reason=reason, step=step)


def unhide_hits(store: Store, hit_ids: Sequence[int], *, step: int = 0) -> list[HistoryEvent]:
    """Take hidden hits in again.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int
    step : int
        of the history; 0 is a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is unknown or not hidden; then none is taken in
    """
    return _turn(store, hit_ids, hidden=False, reason="", step=step)


def _turn(
    store: Store, hit_ids: Sequence[int], *, hidden: bool, reason: str, step: int
) -> list[HistoryEvent]:
    action, step = (Action.HIDE if hidden else Action.UNHIDE), step or store.new_step()
    events = []
    with store.writing() as db:
        for hit_id in dict.fromkeys(hit_ids):
            hit = store.hit(hit_id)
            is_now = bool(store.read("SELECT hidden FROM hit WHERE id = ?", (hit_id,))[0][0])
            if is_now == hidden or hit.state == State.ASIDE:
                state = "hidden already" if is_now and hidden else f"not hidden: it is {hit.state}"
                state = "set aside; restore it first" if hit.state == State.ASIDE else state
                raise StoreError(f"hit {hit_id} ({hit.path.name}) is {state}")
            db.execute("UPDATE hit SET hidden = ? WHERE id = ?", (int(hidden), hit_id))
            events.append(store.add_event(
                action, hit_id, source=hit.path, target=hit.path, reason=reason, step=step
            ))  # fmt: skip
    return events
