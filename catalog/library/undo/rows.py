"""Write rows as they were before an act, or after it; refuse if they have changed since."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Any

from catalog.errors import StoreError
from catalog.library.store.acts.log import Change, Values
from catalog.library.store.acts.recording import HIT, TABLES
from catalog.library.store.database import placeholders
from catalog.models import RoleSource

SOURCES = {  # columns that a scan may fill as well, and the column that names who filled them
    "role": "role_source", "role_confidence": "role_source", "role_source": "role_source",
    "session": "session_source", "session_source": "session_source",
}  # fmt: skip
WORDS = {
    "verdict": "the verdict on two recordings", "fault_dismissed": "the fault of hit {}",
    "file_said": "the cut or the mix of a file", "setting": "the choice “{}”",
}  # fmt: skip


class ChangedSinceError(StoreError):
    """A row has changed since the act, so that it cannot be undone or done again."""


def write_rows(db: sqlite3.Connection, changes: Iterable[Change], *, back: bool) -> None:
    """Write the rows of an act as before it (`back`) or as after it, in the right order.

    Raise `ChangedSinceError`, which names the row, if one is not as the act left it. Roles and
    sessions that the program estimated are then left as they are.
    """
    ordered = list(changes)
    for change in reversed(ordered) if back else ordered:
        expected, wanted = (change.after, change.before) if back else (change.before, change.after)
        if change.part == HIT:
            _write_hit(db, change.key[0], expected or {}, wanted or {})
        else:
            if back and wanted is None:
                _check_newest(db, change)
            _write_row(db, change, expected, wanted)
    _check_kit_names(db)


def _write_hit(db: sqlite3.Connection, hit_id: int, expected: Values, wanted: Values) -> None:
    columns = list(expected)
    row = db.execute(f"SELECT {', '.join(columns)} FROM hit WHERE id = ?", (hit_id,)).fetchone()
    if row is None or dict(zip(columns, row, strict=True)) != expected:
        if _is_estimate(db, hit_id, expected, wanted):
            return
        raise ChangedSinceError(f"hit {hit_id} was changed since")
    assignments = ", ".join(f"{column} = ?" for column in columns)
    values = [wanted[column] for column in columns]
    db.execute(f"UPDATE hit SET {assignments} WHERE id = ?", (*values, hit_id))


def _is_estimate(db: sqlite3.Connection, hit_id: int, expected: Values, wanted: Values) -> bool:
    """Return whether the program, not the user, gave the values that an act changed in a hit."""
    if not set(expected) <= set(SOURCES):
        return False
    for source in {SOURCES[column] for column in expected}:
        if RoleSource.USER in (expected.get(source), wanted.get(source)):
            return False
        sql = f"SELECT {source} FROM hit WHERE id = ?"
        if source not in expected and db.execute(sql, (hit_id,)).fetchone() == (RoleSource.USER,):
            return False
    return True


def _write_row(
    db: sqlite3.Connection, change: Change, expected: Values | None, wanted: Values | None
) -> None:
    table, key = change.part, TABLES[change.part]
    where = " AND ".join(f"{column} = ?" for column in key)
    if not _is_as(_read_row(db, table, where, change.key), expected):
        raise ChangedSinceError(f"{_describe(change)} was changed since")
    if wanted is None:
        db.execute(f"DELETE FROM {table} WHERE {where}", change.key)
        return
    names, marks = ", ".join(wanted), placeholders(len(wanted))
    if expected is None:
        sql = f"INSERT INTO {table} ({names}) VALUES ({marks})"
        db.execute(sql, tuple(wanted.values()))
        return
    assignments = ", ".join(f"{column} = ?" for column in wanted)
    db.execute(f"UPDATE {table} SET {assignments} WHERE {where}", (*wanted.values(), *change.key))


def _is_as(row: Values | None, expected: Values | None) -> bool:
    """Return whether a row has the expected values, among them all that an act changed."""
    if row is None or expected is None:
        return row is expected
    return all(row.get(name) == value for name, value in expected.items())


def _read_row(
    db: sqlite3.Connection, table: str, where: str, key: tuple[Any, ...]
) -> Values | None:
    cursor = db.execute(f"SELECT * FROM {table} WHERE {where}", key)
    row = cursor.fetchone()
    names = [column[0] for column in cursor.description]
    return None if row is None else dict(zip(names, row, strict=True))


def _describe(change: Change) -> str:
    if change.part == "kit":
        name = (change.after or change.before or {}).get("name", "")
        return f"the kit “{name}”"
    return WORDS[change.part].format(change.key[0])


def _check_newest(db: sqlite3.Connection, change: Change) -> None:
    """Raise `ChangedSinceError` if a version of a kit would be deleted below a newer one."""
    if change.part != "kit":
        return
    sql = "SELECT 1 FROM kit WHERE id > ? AND kit_id = (SELECT kit_id FROM kit WHERE id = ?)"
    if db.execute(sql, (change.key[0], change.key[0])).fetchone():
        raise ChangedSinceError(f"{_describe(change)} was changed since")


def _check_kit_names(db: sqlite3.Connection) -> None:
    sql = "SELECT name FROM kit GROUP BY name HAVING count(DISTINCT kit_id) > 1"
    if row := db.execute(sql).fetchone():
        raise ChangedSinceError(f"another kit is named “{row[0]}” now")
