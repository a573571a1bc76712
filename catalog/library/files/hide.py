"""Hide hits without touching their files: for files in folders that must not change."""

from __future__ import annotations

from collections.abc import Sequence

from catalog.errors import StoreError
from catalog.library.store.store import Store
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
        of the history; 0 starts a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is unknown, set aside, or already hidden; then none is hidden
    """
    return _set_hidden(store, hit_ids, hidden=True, reason=reason, step=step)


def unhide_hits(store: Store, hit_ids: Sequence[int], *, step: int = 0) -> list[HistoryEvent]:
    """Include hidden hits again.

    Parameters
    ----------
    store : Store
    hit_ids : sequence of int
    step : int
        of the history; 0 starts a new one

    Returns
    -------
    list of HistoryEvent, one per hit

    Raises
    ------
    StoreError
        if a hit is unknown or not hidden; then none is changed
    """
    return _set_hidden(store, hit_ids, hidden=False, reason="", step=step)


def _set_hidden(
    store: Store, hit_ids: Sequence[int], *, hidden: bool, reason: str, step: int
) -> list[HistoryEvent]:
    action, step = (Action.HIDE if hidden else Action.UNHIDE), step or store.history.new_step()
    events = []
    with store.writing() as db:
        for hit_id in dict.fromkeys(hit_ids):
            hit = store.hits.get(hit_id)
            is_hidden = bool(
                store.database.read("SELECT hidden FROM hit WHERE id = ?", (hit_id,))[0][0]
            )
            if hit.state == State.ASIDE:
                raise StoreError(f"hit {hit_id} ({hit.path.name}) is set aside; restore it first")
            if is_hidden and hidden:
                raise StoreError(f"hit {hit_id} ({hit.path.name}) is hidden already")
            if not (is_hidden or hidden):
                raise StoreError(f"hit {hit_id} ({hit.path.name}) is not hidden: it is {hit.state}")
            db.execute("UPDATE hit SET hidden = ? WHERE id = ?", (int(hidden), hit_id))
            events.append(store.history.add(
                action, hit_id, source=hit.path, target=hit.path, reason=reason, step=step
            ))  # fmt: skip
    return events
