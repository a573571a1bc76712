"""The acts of the history as the page shows them."""

from __future__ import annotations

from typing import Any

from catalog.catalog import Catalog
from catalog.models import Act
from catalog.web.labels import plain, when_word

N_LISTED = 12  # acts in the drawer below the page


def describe_act(act: Act) -> dict[str, Any]:
    """Return one act: number, what it did, when, and whether it is undone or too old."""
    return {
        "id": act.id,
        "text": plain(f"{act.verb}: {act.summary}"),
        "when": when_word(act.time_utc),
        "undone": bool(act.undone),
        "fixed": not act.n_changes,
    }


def describe_acts(catalog: Catalog) -> dict[str, Any]:
    """Return the last acts, newest first, which is undone next, and which is done again next."""
    files = catalog.files
    undo, redo = files.next_undo(), files.next_redo()
    return {
        "undo": describe_act(undo) if undo else None,
        "redo": describe_act(redo) if redo else None,
        "list": [describe_act(act) for act in reversed(files.acts(N_LISTED))],
    }
