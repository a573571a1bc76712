"""One history for the page: acts of the catalog and steps of the kit being built, in order."""

from __future__ import annotations

from typing import Any

from catalog.catalog import Catalog
from catalog.reports import Act
from catalog.web.kit_session.session import KitSession, Step
from catalog.web.labels import plain, when_word

N_LISTED = 12  # entries in the drawer below the page
Entry = Act | Step


def next_undo(catalog: Catalog, session: KitSession) -> Entry | None:
    """Return what was done last, an act or a step of the kit; None without either."""
    act, step = catalog.files.next_undo(), session.last_change
    if act is None or step is None:
        return act or step
    return step if step.after >= act.id else act


def next_redo(catalog: Catalog, session: KitSession) -> Entry | None:
    """Return what was undone last unless something was done since; None without such."""
    act, step, last = catalog.files.next_redo(), session.next_change, session.last_change
    if act is not None and last is not None and last.after >= act.undone:
        act = None  # the kit was changed since
    newest = next(iter(catalog.files.acts(1)), None)
    if step is not None and newest is not None and newest.id > step.undone:
        step = None
    if act is None or step is None:
        return act or step
    return step if step.undone >= act.undone else act


def describe_entry(entry: Entry) -> dict[str, Any]:
    """Return what one act or step did, when, and whether it is undone or too old.

    A step of the kit has no number: it is undone in its turn only.
    """
    if isinstance(entry, Step):
        when = when_word(entry.time_utc) if entry.time_utc else ""
        text = plain(f"kit: {entry.label}")
        return {
            "id": None,
            "text": text,
            "when": when,
            "undone": bool(entry.undone),
            "fixed": False,
        }
    return {
        "id": entry.id,
        "text": plain(f"{entry.verb}: {entry.summary}"),
        "when": when_word(entry.time_utc),
        "undone": bool(entry.undone),
        "fixed": not entry.n_changes,
    }


def describe_acts(catalog: Catalog, session: KitSession) -> dict[str, Any]:
    """Return what was done last, newest first, what is undone next, and what is done again next."""
    undo, redo = next_undo(catalog, session), next_redo(catalog, session)
    placed: list[tuple[tuple[int, int], Entry]] = [
        ((act.id, 0), act) for act in catalog.files.acts(N_LISTED)
    ]
    placed += [((step.after, k), step) for k, step in enumerate(session.changes, 1)]
    placed.sort(key=lambda pair: pair[0], reverse=True)
    return {
        "undo": describe_entry(undo) if undo else None,
        "redo": describe_entry(redo) if redo else None,
        "list": [describe_entry(entry) for _, entry in placed[:N_LISTED]],
    }
