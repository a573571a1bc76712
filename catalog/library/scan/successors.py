"""What the user said of a hit whose file is gone continues at another file of the same content.

A library that was copied to another disk has two hits for each recording. When the first file of
the two is gone, its hit takes the place of the other one, with its id, annotations and kits. If the
user has annotated the other hit too, or a kit uses it, both stay and the annotations are combined.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Collection
from typing import Any, NamedTuple

from catalog.library.metadata.sessions import split_days
from catalog.library.store.annotations import PREFERRED
from catalog.library.store.database import path_from_db, update_hit
from catalog.library.store.schema import ANNOTATED
from catalog.library.store.store import Store
from catalog.models import RoleSource, State

HANDED_ON = "handed_on"  # setting: ids of hits whose annotations were combined with another's
PLACE = (
    "path", "mate", "size", "mtime_ns", "region", "note", "take", "drum", "microphone", "origin",
)  # fmt: skip
ROLE = ("role", "role_confidence", "role_source")
SESSION = ("session", "session_source")
SAID = ("mark", "tags", "remark", "names")
COLUMNS = ("id", "state", "content_hash", "start", "stop", *PLACE, *ROLE, *SESSION, *SAID)
SELECT = f"SELECT {', '.join(COLUMNS)} FROM hit"
ELIGIBLE = "aside IS NULL AND NOT hidden AND region >= 0"


Row = dict[str, Any]


class Successor(NamedTuple):
    """A present file at which the hit of a lost one continues."""

    lost_path: str
    path: str


def continue_lost_hits(store: Store, *, in_kits: Collection[int]) -> list[Successor]:
    """Let annotated hits whose files are gone continue at other files of the same content.

    Parameters
    ----------
    store : Store
    in_kits : collection of int, hits that kits use

    Returns
    -------
    list of Successor, of the hits that took the place of another one
    """
    moved = []
    handed_on = set(store.database.read_setting(HANDED_ON, []))
    for lost in _read_lost(store, in_kits):
        if lost["id"] in handed_on or not (others := _read_others(store, lost)):
            continue
        free = [row for row in others if not _is_annotated(row) and row["id"] not in in_kits]
        with store.writing() as db:
            if free:
                _exchange_places(db, lost, free[0])
                moved.append(Successor(_path(lost), _path(free[0])))
            else:
                _combine(db, lost, others[0])
                handed_on.add(lost["id"])
                store.database.save_setting(HANDED_ON, sorted(handed_on))
    if moved:
        split_days(store)
    return moved


def _read_lost(store: Store, in_kits: Collection[int]) -> list[Row]:
    """Return the rows of hits that the user annotated or uses, and whose files are gone."""
    by_id = {*in_kits, *store.database.read_setting(PREFERRED, [])}
    by_id |= {row[0] for row in store.database.read("SELECT hit_id FROM fault_dismissed")}
    where = f"{ANNOTATED} AND {ELIGIBLE}"
    rows = store.database.read(f"{SELECT} INDEXED BY hit_annotated WHERE {where}")
    rows += store.database.read_by_id(f"{SELECT} WHERE {ELIGIBLE} AND id IN", sorted(by_id))
    found = {row[0]: dict(zip(COLUMNS, row, strict=True)) for row in rows}
    return [row for _, row in sorted(found.items()) if _is_gone(row)]


def _read_others(store: Store, lost: Row) -> list[Row]:
    """Return the rows of present hits with the same content and region, by id."""
    rows = store.database.read(
        f"{SELECT} WHERE content_hash = ? AND start = ? AND stop = ? AND id != ?"
        f" AND state = 'here' AND {ELIGIBLE} ORDER BY id",
        (lost["content_hash"], lost["start"], lost["stop"], lost["id"]),
    )
    others = (dict(zip(COLUMNS, row, strict=True)) for row in rows)
    return [row for row in others if not _is_gone(row)]


def _is_gone(row: Row) -> bool:
    return row["state"] == State.MISSING or not os.path.lexists(_path(row))


def _path(row: Row) -> str:
    return path_from_db(row["path"])


def _is_annotated(row: Row) -> bool:
    said = row["mark"] or row["remark"] or row["tags"] != "[]" or row["names"] != "{}"
    return bool(said) or RoleSource.USER in (row["role_source"], row["session_source"])


def _exchange_places(db: sqlite3.Connection, lost: Row, other: Row) -> None:
    """Let two hits exchange their files and what follows from them; the other hit is missing then.

    A role or a session that the user set stays with its hit.
    """
    columns = list(PLACE)
    for group in (ROLE, SESSION):
        if RoleSource.USER not in (lost[group[-1]], other[group[-1]]):
            columns += group
    other_id, lost_id = other["id"], lost["id"]
    update_hit(db, other_id, {"state": State.MISSING})  # one hit of a region may be present
    update_hit(db, lost_id, {name: other[name] for name in columns} | {"state": State.HERE})
    update_hit(db, other_id, {name: lost[name] for name in columns})


def _combine(db: sqlite3.Connection, lost: Row, other: Row) -> None:
    """Give a hit those annotations of a lost one that it does not have."""
    values = {name: lost[name] for name in ("mark", "remark") if not other[name]}
    tags = {*json.loads(lost["tags"]), *json.loads(other["tags"])}
    values["tags"] = json.dumps(sorted(tags))
    values["names"] = json.dumps({**json.loads(lost["names"]), **json.loads(other["names"])})
    for group in (ROLE, SESSION):
        if lost[group[-1]] == RoleSource.USER != other[group[-1]]:
            values |= {name: lost[name] for name in group}
    update_hit(db, other["id"], values)
    db.execute(
        "INSERT OR IGNORE INTO fault_dismissed SELECT ?, content_hash, kind, time_utc"
        " FROM fault_dismissed WHERE hit_id = ?",
        (other["id"], lost["id"]),
    )
