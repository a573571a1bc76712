"""Taking back what was done to hits, step by step in any order, or all of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from catalog.errors import StoreError
from catalog.library.files.hide import hide_hits, unhide_hits
from catalog.library.files.set_aside import restore_hits, set_aside_hits
from catalog.library.store.hits import Store
from catalog.models import Action, HistoryEvent, State

REASON = "undone"
# What was done, and the one of two conditions that held before it.
BEFORE = {
    Action.SET_ASIDE: "there",
    Action.RESTORE: "aside",
    Action.HIDE: "shown",
    Action.UNHIDE: "hidden",
}
AWAY = ("there", "aside")  # the pair that is about files; the other is about showing


@dataclass(frozen=True)
class Undone:
    """What an undo did, and what it could not do.

    Attributes
    ----------
    events : tuple of HistoryEvent
        what was done to get back; a hit that was already as before needs nothing
    left : tuple of (hit id, reason)
    """

    events: tuple[HistoryEvent, ...]
    left: tuple[tuple[int, str], ...]


def undo_steps(store: Store, steps: Sequence[int] | None = None) -> Undone:
    """Bring hits back to how they were before some steps, or before all of them.

    Each hit goes back to before the earliest of the chosen steps that moved or hid it, whatever
    was done later. What cannot go back, because another file has taken its name, is left and told.

    Parameters
    ----------
    store : Store
    steps : sequence of int, optional
        `HistoryEvent.step`; None is all

    Returns
    -------
    Undone

    Raises
    ------
    StoreError
        if a step is unknown, or holds nothing that can be undone
    """
    chosen = [e for e in store.history() if steps is None or e.step in set(steps)]
    unknown = set(steps or ()) - {event.step for event in chosen if event.action in BEFORE}
    if unknown:
        raise StoreError(f"step {min(unknown)} is not in the history, or cannot be undone")
    files: dict[int, str] = {}
    shown: dict[int, str] = {}
    for event in chosen:
        if event.action in BEFORE:
            before = BEFORE[event.action]
            (files if before in AWAY else shown).setdefault(event.hit_id, before)
    return _bring_back(store, files, shown)


def _bring_back(store: Store, files: dict[int, str], shown: dict[int, str]) -> Undone:
    events: list[HistoryEvent] = []
    left: list[tuple[int, str]] = []
    step = store.new_step()
    for hit_id, wanted in (*files.items(), *shown.items()):
        try:
            events += _bring_one_back(store, hit_id, wanted, step)
        except StoreError as err:
            left.append((hit_id, str(err)))
    return Undone(tuple(events), tuple(left))


def _bring_one_back(store: Store, hit_id: int, wanted: str, step: int) -> list[HistoryEvent]:
    """Do what is needed, which may be nothing."""
    state = store.hit(hit_id).state
    if wanted == "there" and state == State.ASIDE:
        return restore_hits(store, [hit_id], step=step)
    if wanted == "aside" and state != State.ASIDE:
        return set_aside_hits(store, [hit_id], reason=REASON, step=step)
    if wanted == "shown" and state == State.HIDDEN:
        return unhide_hits(store, [hit_id], step=step)
    if wanted == "hidden" and state != State.HIDDEN:
        return hide_hits(store, [hit_id], reason=REASON, step=step)
    return []
