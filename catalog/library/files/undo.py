"""Undo steps of the history, in any order, or all of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from catalog.errors import StoreError
from catalog.library.files.set_aside import (
    hide_hits,
    restore_hits,
    set_aside_hits,
    unhide_hits,
)
from catalog.library.store.store import Store
from catalog.models import Action, HistoryEvent, State

REASON = "undone"
# Each action that can be undone, with its inverse. Moves of files and changes of what is listed are
# undone independently of each other.
MOVES = {Action.SET_ASIDE: Action.RESTORE, Action.RESTORE: Action.SET_ASIDE}
LISTINGS = {Action.HIDE: Action.UNHIDE, Action.UNHIDE: Action.HIDE}
UNDOABLE = (*MOVES, *LISTINGS)


@dataclass(frozen=True)
class UndoResult:
    """What an undo changed, and what it could not change."""

    events: tuple[HistoryEvent, ...]  # none for a hit that already was in its earlier state
    left: tuple[tuple[int, str], ...]  # ids of hits that could not be brought back, and why


def undo_steps(store: Store, steps: Sequence[int] | None = None) -> UndoResult:
    """Return hits to their state before some steps (`HistoryEvent.step`), or before all of them.

    Each hit returns to its state before the earliest of the chosen steps that moved or hid it,
    whatever was done later. A hit whose path another file has taken is left as it is and reported.
    Raise `StoreError` if a step is unknown, or holds nothing that can be undone.
    """
    undoable = [event for event in store.history.read() if event.action in UNDOABLE]
    wanted = {event.step for event in undoable} if steps is None else set(steps)
    chosen = [event for event in undoable if event.step in wanted]
    if unknown := wanted - {event.step for event in chosen}:
        raise StoreError(f"step {min(unknown)} is not in the history, or cannot be undone")
    events: list[HistoryEvent] = []
    left: list[tuple[int, str]] = []
    new_step = store.history.new_step()
    for hit_id, action in _invert(chosen):
        try:
            events += _apply(store, hit_id, action, step=new_step)
        except StoreError as err:
            left.append((hit_id, str(err)))
    return UndoResult(tuple(events), tuple(left))


def _invert(events: Sequence[HistoryEvent]) -> Iterator[tuple[int, Action]]:
    """Yield each hit with the inverse of its first event, of moves first, then of listings."""
    for inverses in (MOVES, LISTINGS):
        first: dict[int, Action] = {}
        for event in events:
            if event.action in inverses:
                first.setdefault(event.hit_id, inverses[event.action])
        yield from first.items()


def _apply(store: Store, hit_id: int, action: Action, *, step: int) -> list[HistoryEvent]:
    """Apply an action to one hit; may be a no-op."""
    state = store.hits.get(hit_id).state
    if action == Action.RESTORE and state == State.ASIDE:
        return restore_hits(store, [hit_id], step=step)
    if action == Action.SET_ASIDE and state != State.ASIDE:
        return set_aside_hits(store, [hit_id], reason=REASON, step=step)
    if action == Action.UNHIDE and state == State.HIDDEN:
        return unhide_hits(store, [hit_id], step=step)
    if action == Action.HIDE and state != State.HIDDEN:
        return hide_hits(store, [hit_id], reason=REASON, step=step)
    return []
