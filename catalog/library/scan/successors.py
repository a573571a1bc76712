"""Annotations of a hit whose file is gone continue at another file of the same content.

A library that was copied to another disk has two hits for each recording. When the first file of
the two is gone, its hit takes the place of the other one, with its id, annotations and kits. If the
user has annotated the other hit too, or a kit uses it, both stay and the annotations are combined.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

from catalog.library.metadata.sessions import split_days
from catalog.library.store.database import path_from_db, update_hit
from catalog.library.store.records.annotations import PREFERRED
from catalog.library.store.schema import ANNOTATED
from catalog.library.store.store import Store
from catalog.models import RoleSource, State

HANDED_ON = "handed_on"  # setting: ids of hits whose annotations were combined with another's
PLANNED = "hand_over_planned"  # setting: by hit that is being set aside, its copy
HANDED_OVER = "handed_over"  # setting: by hit set aside, the copy, its values before and after
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
    """Return the rows of present hits with the same content, region and channels, by id."""
    rows = store.database.read(
        f"{SELECT} WHERE content_hash = ? AND start = ? AND stop = ? AND id != ?"
        " AND channels = (SELECT channels FROM hit WHERE id = ?)"
        f" AND state = 'here' AND {ELIGIBLE} ORDER BY id",
        (lost["content_hash"], lost["start"], lost["stop"], lost["id"], lost["id"]),
    )
    others = (dict(zip(COLUMNS, row, strict=True)) for row in rows)
    return [row for row in others if not _is_gone(row)]


def _is_gone(row: Row) -> bool:
    return row["state"] == State.MISSING or not os.path.lexists(_path(row))


def _path(row: Row) -> str:
    return path_from_db(row["path"])


def _is_annotated(row: Row) -> bool:
    annotation = row["mark"] or row["remark"] or row["tags"] != "[]" or row["names"] != "{}"
    return bool(annotation) or RoleSource.USER in (row["role_source"], row["session_source"])


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
    update_hit(db, other["id"], _combined(lost, other))
    db.execute(
        "INSERT OR IGNORE INTO fault_dismissed SELECT ?, content_hash, kind, time_utc"
        " FROM fault_dismissed WHERE hit_id = ?",
        (other["id"], lost["id"]),
    )


def _combined(lost: Row, other: Row) -> Row:
    values = {name: lost[name] for name in ("mark", "remark") if not other[name]}
    tags = {*json.loads(lost["tags"]), *json.loads(other["tags"])}
    values["tags"] = json.dumps(sorted(tags))
    values["names"] = json.dumps({**json.loads(lost["names"]), **json.loads(other["names"])})
    for group in (ROLE, SESSION):
        if lost[group[-1]] == RoleSource.USER != other[group[-1]]:
            values |= {name: lost[name] for name in group}
    return values


def plan_hand_over(store: Store, hit_ids: Collection[int]) -> dict[int, int]:
    """Return which present hit of the same content would get the annotations of each hit.

    Hits without annotations, and those whose copies have the same ones, are left out.
    """
    plan = {}
    for row in _read_rows(store, hit_ids, ELIGIBLE):
        others = [other for other in _read_others(store, row) if other["id"] not in hit_ids]
        if _is_annotated(row) and others and _changes(_combined(row, others[0]), others[0]):
            plan[row["id"]] = others[0]["id"]
    return plan


def announce_hand_over(store: Store, plan: Mapping[int, int]) -> None:
    """Store a plan before the files move, so that `complete_hand_overs` can carry it out."""
    planned = store.database.read_setting(PLANNED, {})
    copies = {str(hit_id): copy_id for hit_id, copy_id in plan.items()}
    store.database.save_setting(PLANNED, {**planned, **copies})


def complete_hand_overs(store: Store) -> None:
    """Carry out the plans of programs that ended after they had moved files; may be a no-op."""
    if not store.database.is_read_only and (planned := store.database.read_setting(PLANNED, {})):
        hand_over(store, {int(hit_id): copy_id for hit_id, copy_id in planned.items()})


def hand_over(store: Store, plan: Mapping[int, int]) -> None:
    """Carry out a plan for those of its hits that are set aside; `take_back` reverts it."""
    with store.writing() as db:
        given = store.database.read_setting(HANDED_OVER, {})
        for row in _read_rows(store, plan, "aside IS NOT NULL"):
            for other in _read_rows(store, [plan[row["id"]]], "1"):
                if values := _changes(_combined(row, other), other):
                    update_hit(db, other["id"], values)
                    before = {name: other[name] for name in values}
                    given[str(row["id"])] = [other["id"], before, values]
        store.database.save_setting(HANDED_OVER, given)
        planned = store.database.read_setting(PLANNED, {})
        left = {key: copy for key, copy in planned.items() if int(key) not in plan}
        store.database.save_setting(PLANNED, left)


def take_back(store: Store, hit_ids: Collection[int]) -> None:
    """Take annotations that restored hits had handed over from their copies again.

    What the user has changed at the copy meanwhile stays.
    """
    given = store.database.read_setting(HANDED_OVER, {})
    restored = [
        row for row in _read_rows(store, hit_ids, "aside IS NULL") if str(row["id"]) in given
    ]
    if not restored:
        return
    with store.writing() as db:
        for row in restored:
            other_id, before, values = given.pop(str(row["id"]))
            for other in _read_rows(store, [other_id], "1"):
                same = {name: before[name] for name in values if other[name] == values[name]}
                if same:
                    update_hit(db, other_id, same)
        store.database.save_setting(HANDED_OVER, given)


def _read_rows(store: Store, hit_ids: Collection[int], where: str) -> list[Row]:
    rows = store.database.read_by_id(f"{SELECT} WHERE {where} AND id IN", sorted(set(hit_ids)))
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def _changes(values: Row, other: Row) -> Row:
    return {name: value for name, value in values.items() if value != other[name]}
