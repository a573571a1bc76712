"""Find the hits of a backup in a store that was scanned again and gave them other numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from catalog.library.backup.backup_reader import Row
from catalog.library.store.database import Database

KIT_KEYS = ("slots", "passed", "arranged")  # of a kit as JSON: they hold numbers of hits
COLUMNS = ("id", "path", "content_hash", "start", "stop", "region", "state")
NewIds = Mapping[int, int]
"""Number of each hit in the store by its number in the backup."""


class HitNotFoundError(LookupError):
    """A hit of the backup is not in the store."""


def match_hits(database: Database, rows: Sequence[Row]) -> dict[int, int]:
    """Return the hits of the store by those of a backup; hits that are not found are left out.

    Content and region decide, and among copies the path. A file that was changed since is found by
    its path and region number.
    """
    found: dict[int, int] = {}
    for row in rows:
        candidates = _candidates(database, row)
        best = max(candidates, key=lambda other: _score(row, other), default=None)
        if best is not None and _score(row, best) > (0,):
            found[row["id"]] = best["id"]
    return found


def _candidates(database: Database, row: Row) -> list[Row]:
    sql = f"SELECT {', '.join(COLUMNS)} FROM hit WHERE {{}} = ? ORDER BY id DESC"
    rows = database.read(sql.format("content_hash"), (row["content_hash"],))
    rows = rows or database.read(sql.format("path"), (row["path"],))
    return [dict(zip(COLUMNS, values, strict=True)) for values in rows]


def _score(row: Row, other: Row) -> tuple[int, ...]:
    """Return how well two rows fit as a sort key; (0,) if they are other strokes."""
    shared = min(row["stop"], other["stop"]) - max(row["start"], other["start"])
    longer = max(row["stop"] - row["start"], other["stop"] - other["start"])
    is_changed = row["content_hash"] != other["content_hash"]
    same_stroke = row["region"] == other["region"] if is_changed else 2 * shared > longer
    if not same_stroke:
        return (0,)
    same_path, is_present = row["path"] == other["path"], other["state"] != "missing"
    return (1, same_path, is_present, shared)


def with_new_ids(payload: str, ids: NewIds) -> str:
    """Return a kit as JSON text with the numbers that its hits have in the store.

    Raise `HitNotFoundError` if one of them is not in the store.
    """
    kit = json.loads(payload)
    for key in KIT_KEYS:
        if key in kit:
            kit[key] = _replace_ids(kit[key], ids)
    return json.dumps(kit, ensure_ascii=False)


def session_with_new_ids(text: str, ids: NewIds) -> str:
    """Return the saved kit session, a JSON text with kits, as `with_new_ids` does."""
    session = json.loads(text)
    for key in ("steps", "choices"):
        session[key] = [with_new_ids(kit, ids) for kit in session.get(key, [])]
    session["saved"] = {}  # version numbers of saved kits
    session["order"] = []  # numbers of acts, which are not in a backup
    return json.dumps(session)


def _replace_ids(value: Any, ids: NewIds) -> Any:
    if isinstance(value, dict):
        return {key: _replace_ids(part, ids) for key, part in value.items()}
    if isinstance(value, list):
        return [_replace_ids(part, ids) for part in value]
    if value not in ids:
        raise HitNotFoundError(value)
    return ids[value]
