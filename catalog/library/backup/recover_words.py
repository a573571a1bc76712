"""Put what the user wrote back into a store that was lost, from a backup.

The hits of a new store have other numbers, so all numbers are replaced; see `match_hits`. What the
store holds already stays, so this can be repeated when more folders have been scanned.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from catalog.library.backup.backup import STORE_ID
from catalog.library.backup.backup_hits import (
    HitNotFoundError,
    NewIds,
    match_hits,
    session_with_new_ids,
    with_new_ids,
)
from catalog.library.backup.backup_reader import Backup, Row
from catalog.library.integrity.checksums import HAS_WORDS
from catalog.library.integrity.health import NO_VERSION
from catalog.library.store.acts.recording import STEP
from catalog.library.store.database import update_hit
from catalog.library.store.records.annotations import PREFERRED
from catalog.library.store.records.kits import DRAFT
from catalog.library.store.schema import ACTS_OF_EVENTS
from catalog.library.store.store import Store
from catalog.models import RoleSource

REFUSED = "drums_refused"  # lists of hits that are not one drum
FORGOTTEN = "choices_forgotten"  # choices as kind, hit and other hit
# Settings about one store file, and those that hold numbers of hits.
OWN_SETTINGS = (
    STORE_ID, STEP, PREFERRED, DRAFT, REFUSED, FORGOTTEN, "folders", "handed_on",
    "days_parted_at", "move_warnings", "exports_under_way", "roles_learned_at",
    "doubted_names", "name_reliability",
)  # fmt: skip
SAID = ("mark", "tags", "remark", "names", "hidden")
EVENT_KEY = ("time_utc", "action", "source", "target", "reason")


@dataclass(frozen=True)
class RecoveredWords:
    """What a backup gave back to the store, and what it could not."""

    backup: str  # its time and path
    n_hits: int  # hits with role, session, mark, tags, remark or names of the user
    kits: tuple[str, ...]
    n_verdicts: int
    n_events: int
    left: tuple[str, ...]  # what was not restored, and why


def restore_by_content(store: Store, backup: Backup) -> int:
    """Restore what is stored by the content of files, and settings; return the number of verdicts.

    The next scan measures files with regions of the user again.
    """
    with store.writing() as db:
        n_verdicts = _insert_rows(db, "verdict", backup.tables["verdict"])
        _insert_rows(db, "exported", backup.tables["exported"])
        rows = [row for row in backup.tables["setting"] if row["key"] not in OWN_SETTINGS]
        _insert_rows(db, "setting", rows)
        for row in backup.tables["file_said"]:
            if _insert_rows(db, "file_said", [row]):
                values = (NO_VERSION, row["content_hash"])
                db.execute("UPDATE hit SET version = ? WHERE content_hash = ?", values)
    return n_verdicts


def restore_words(store: Store, backup: Backup, *, n_verdicts: int = 0) -> RecoveredWords:
    """Restore what the user wrote about hits, kits and history; what is there stays."""
    rows = backup.tables["hit"]
    ids = match_hits(store.database, rows)
    with store.writing() as db:
        n_hits = sum(_restore_hit(db, row, ids[row["id"]]) for row in rows if row["id"] in ids)
        _restore_by_hit(db, backup, ids)
        kits, left = _restore_kits(store, backup, ids)
        _restore_settings(store, backup, ids)
        n_events = _restore_history(store, backup, ids)
    lost = [row for row in rows if _has_words(row) and row["id"] not in ids]
    if lost:
        left.append(f"{len(lost)} hits with marks, tags, remarks or roles are not in this store")
    if backup.n_damaged:
        left.append(f"{backup.n_damaged} rows of the backup are damaged")
    return RecoveredWords(str(backup.file), n_hits, tuple(kits), n_verdicts, n_events, tuple(left))


def _insert_rows(db: sqlite3.Connection, table: str, rows: Sequence[Row]) -> int:
    """Insert rows that are not there yet, by column name; return how many were."""
    known = [row[1] for row in db.execute(f"PRAGMA main.table_info({table})")]
    n_new = 0
    for row in rows:
        columns = [column for column in known if column in row]
        marks = ", ".join("?" * len(columns))
        sql = f"INSERT OR IGNORE INTO {table} ({', '.join(columns)}) VALUES ({marks})"
        n_new += db.execute(sql, [row[column] for column in columns]).rowcount
    return n_new


def _has_words(row: Row) -> bool:
    by_user = RoleSource.USER in (row["role_source"], row["session_source"])
    annotation = (
        row["mark"] or row["remark"] or row["tags"] != "[]" or row.get("names", "{}") != "{}"
    )
    return bool(annotation or by_user or row["hidden"])


def _restore_hit(db: sqlite3.Connection, row: Row, hit_id: int) -> bool:
    """Restore the words of one hit, unless the user has written about it since."""
    sql = f"SELECT 1 FROM hit WHERE id = ? AND {HAS_WORDS.format('')} AND aside IS NULL"
    if not _has_words(row) or db.execute(sql, (hit_id,)).fetchone():
        return False
    values = {name: row[name] for name in SAID if name in row}
    if row["role_source"] == RoleSource.USER:
        values |= {name: row[name] for name in ("role", "role_confidence", "role_source")}
    if row["session_source"] == RoleSource.USER:
        values |= {name: row[name] for name in ("session", "session_source")}
    update_hit(db, hit_id, values)
    return True


def _restore_by_hit(db: sqlite3.Connection, backup: Backup, ids: NewIds) -> None:
    for table in ("fault_dismissed", "home_volume"):
        rows = [row for row in backup.tables[table] if row["hit_id"] in ids]
        _insert_rows(db, table, [row | {"hit_id": ids[row["hit_id"]]} for row in rows])


def _restore_kits(store: Store, backup: Backup, ids: NewIds) -> tuple[list[str], list[str]]:
    """Save the newest version of each kit; return the names, and why others were not saved."""
    newest = {row["name"]: row for row in sorted(backup.tables["kit"], key=lambda row: row["id"])}
    kits, left = [], []
    for name, row in newest.items():
        if store.kits.newest(name) is not None:
            continue
        try:
            with store.database.recording.paused():  # else undo would delete the kit
                store.kits.save(name, with_new_ids(row["payload"], ids))
            kits.append(name)
        except HitNotFoundError:
            left.append(f"the kit “{name}” has hits that are not in this store; scan their folders")
        except (ValueError, TypeError, AttributeError):
            left.append(f"the kit “{name}” is damaged")
    return kits, left


def _restore_settings(store: Store, backup: Backup, ids: NewIds) -> None:
    settings = {row["key"]: json.loads(row["value"]) for row in backup.tables["setting"]}
    preferred = [ids[i] for i in settings.get(PREFERRED, []) if i in ids]
    now = store.pair_answers.read_preferred()
    if preferred and not now:
        store.database.save_setting(PREFERRED, preferred)
    refused = [[ids[i] for i in hits if i in ids] for hits in settings.get(REFUSED, [])]
    _save_new(store, REFUSED, [hits for hits in refused if hits])
    known: dict[int | None, int | None] = {None: None}
    known.update(ids.items())
    choices = [c for c in settings.get(FORGOTTEN, []) if c[1] in known and c[2] in known]
    _save_new(store, FORGOTTEN, [[kind, known[a], known[b]] for kind, a, b in choices])
    if settings.get(DRAFT) and not store.kits.read_draft():
        with suppress(HitNotFoundError, ValueError, TypeError, AttributeError):
            store.kits.save_draft(session_with_new_ids(settings[DRAFT], ids))


def _save_new(store: Store, key: str, value: list[Any]) -> None:
    """Save a setting that the store does not have yet."""
    if value and not store.database.read_setting(key, []):
        store.database.save_setting(key, value)


def _restore_history(store: Store, backup: Backup, ids: NewIds) -> int:
    """Put the events of a backup before those of the store; return how many are new.

    Events of hits that are not in the store are left out.
    """
    old = [
        row | {"hit_id": ids[row["hit_id"]], "step": row["step"] or row["id"]}
        for row in sorted(backup.tables["event"], key=lambda row: row["id"])
        if row["hit_id"] in ids
    ]
    database, known = store.database, {_event_key(row) for row in old}
    columns = ("hit_id", "step", *EVENT_KEY)
    sql = f"SELECT {', '.join(columns)}, id FROM event ORDER BY id"
    present = [dict(zip((*columns, "id"), row, strict=True)) for row in database.read(sql)]
    n_present = sum(_event_key(row) in known for row in present)
    if n_present == len(known):
        return 0
    newer = [row for row in present if _event_key(row) not in known]
    last = max((row["step"] or row["id"] for row in backup.tables["event"]), default=0)
    first = min((row["step"] or row["id"] for row in newer), default=last + 1)
    shift = max(0, last + 1 - first)
    newer = [row | {"step": (row["step"] or row["id"]) + shift} for row in newer]
    marks = ", ".join("?" * len(columns))
    with store.writing(changes_hits=False) as db:
        store.acts.shift(db, shift)
        db.execute("DELETE FROM event")
        for row in (*old, *newer):
            values = [row[column] for column in columns]
            db.execute(f"INSERT INTO event ({', '.join(columns)}) VALUES ({marks})", values)
        for statement in ACTS_OF_EVENTS.split(";"):
            db.execute(statement)
    steps = [row["step"] for row in (*old, *newer)]
    database.save_setting(STEP, max(*steps, int(database.read_setting(STEP, 0))))
    return len(old) - n_present


def _event_key(row: Row) -> tuple[object, ...]:
    return tuple(row[column] for column in ("hit_id", *EVENT_KEY))
