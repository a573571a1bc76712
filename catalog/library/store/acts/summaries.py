"""What an act did, in a few words for the history."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from catalog.library.store.database import Database, path_from_db

MAX_NAME = 60  # characters of a file's name in a summary


def describe_hits(database: Database, hit_ids: Sequence[int]) -> str:
    """Return one hit with its number and name, several by their count."""
    ids = list(dict.fromkeys(hit_ids))
    if len(ids) != 1:
        return f"{len(ids):,} hits"
    rows = database.read("SELECT path, region FROM hit WHERE id = ?", (int(ids[0]),))
    if not rows:
        return f"hit {ids[0]}"
    name = Path(path_from_db(rows[0][0])).stem
    short = name if len(name) <= MAX_NAME else f"{name[: MAX_NAME - 1]}…"
    return f"hit {ids[0]}, {short}" + (f" #{abs(rows[0][1])}" if rows[0][1] else "")


def describe_tags(added: Sequence[str], dropped: Sequence[str]) -> str:
    """Return tags as "+dry -wet"."""
    return " ".join([*(f"+{tag}" for tag in added), *(f"-{tag}" for tag in dropped)])
