"""Back up what a scan cannot make again, into a small SQLite file beside the store.

A backup has the rows of the tables `TABLES`, and of `hit` what identifies each hit that they name
or that has words of the user. Checksums are copied as they are, so a row that was damaged already
is not taken for a good one.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

from catalog.library.backup.backup_files import (
    BackupFile,
    backup_folder,
    backup_path,
    list_backups,
    part_path,
)
from catalog.library.integrity.checksums import (
    BY_HAND,
    WORD_COLUMNS,
    WORDS,
    add_functions,
    checked_parts,
    checksum_of,
    find_damaged,
)
from catalog.library.store.schema import ANNOTATED, APPLICATION_ID, SCHEMA_VERSION

N_KEPT = 5  # backups of one store
PAUSE = timedelta(hours=1)  # between two backups of one store
STORE_ID = "store_id"  # setting: a random name that tells two stores at one path apart
# Moves in progress end at once, and acts name rows by numbers that another store does not have.
PARTS = tuple(part for part in BY_HAND if part not in ("journal", "act", "act_change"))
TABLES = tuple(part for part in PARTS if part != WORDS)
HIT_COLUMNS = (
    "id", "path", "state", "content_hash", "start", "stop", "region", "role", "role_confidence",
    "role_source", "session", "session_source", *WORD_COLUMNS,
)  # fmt: skip
LISTED_PARTS = ", ".join(f"'{part}'" for part in PARTS)
NUMBERS_IN = (
    "SELECT j.atom FROM store.{0} t, json_tree(iif(json_valid(t.{1}), t.{1}, '0')) j"
    " WHERE j.type = 'integer'"
)
# The kit session is JSON text that holds JSON text, so its hits are read with other words.
NAMED_HITS = f"""
SELECT row_id FROM store.row_checksum WHERE part = '{WORDS}'
UNION SELECT id FROM store.hit WHERE {ANNOTATED}
UNION SELECT hit_id FROM store.event
UNION SELECT hit_id FROM store.fault_dismissed
UNION SELECT hit_id FROM store.home_volume
UNION {NUMBERS_IN.format("kit", "payload")}
UNION {NUMBERS_IN.format("setting", "value")}
UNION SELECT j.atom FROM store.setting s, json_tree(iif(json_valid(s.value), s.value, '0')) w,
    json_tree(iif(w.type = 'text' AND json_valid(w.atom), w.atom, '0')) k,
    json_tree(iif(k.type = 'text' AND json_valid(k.atom), k.atom, '0')) j
    WHERE j.type = 'integer'
"""
logger = logging.getLogger(__name__)


def back_up(store: Path, connection: sqlite3.Connection) -> None:
    """Back up a store as it was before the transaction that `connection` is in.

    Nothing is done if the last backup is younger than `PAUSE` or equal, or if the user wrote
    nothing yet. A backup that cannot be written is logged, and the change is made nevertheless.
    """
    try:
        store_id = _store_id(connection)
        own = [backup for backup in list_backups(store) if read_meta(backup).get("id") == store_id]
        now = datetime.now(UTC).replace(microsecond=0)
        if not (own and abs(now - own[0].time) < PAUSE):
            _write(store, store_id, now, own)
    except (OSError, sqlite3.Error) as err:
        logger.warning("%s: no backup was made (%s)", store, err)


def read_meta(backup: BackupFile) -> dict[str, str]:
    """Return "id", "digest" and "schema" of a backup; nothing if it is damaged."""
    with contextlib.suppress(sqlite3.Error), contextlib.closing(open_backup(backup.path)) as db:
        return dict(db.execute("SELECT key, value FROM meta").fetchall())
    return {}


def open_backup(path: Path) -> sqlite3.Connection:
    """Open a backup for reading."""
    connection = sqlite3.connect(path.as_uri() + "?mode=ro&immutable=1", uri=True)
    add_functions(connection)
    return connection


def _store_id(connection: sqlite3.Connection) -> str:
    sql = "SELECT json_extract(value, '$') FROM setting WHERE key = ?"
    if row := connection.execute(sql, (STORE_ID,)).fetchone():
        return str(row[0])
    new = uuid.uuid4().hex
    connection.execute("INSERT INTO setting VALUES (?, ?)", (STORE_ID, f'"{new}"'))
    return new


def _write(store: Path, store_id: str, now: datetime, own: list[BackupFile]) -> None:
    """Write a backup beside its place, rename it, and delete old ones."""
    with contextlib.closing(sqlite3.connect("file::memory:", uri=True)) as db:
        digest = _copy(db, store, store_id)
        if not digest or (own and read_meta(own[0]).get("digest") == digest):
            return
        parts = [part for part in checked_parts(db) if part.name in PARTS]
        is_damaged = bool(find_damaged(db, parts))
        data = db.serialize()
    folder = backup_folder(store)
    folder.mkdir(mode=0o700, exist_ok=True)
    _write_file(backup_path(store, now), data)
    if not is_damaged:  # an older one may hold the row as it was
        for backup in own[N_KEPT - 1 :]:
            backup.path.unlink(missing_ok=True)


def _write_file(target: Path, data: bytes) -> None:
    name = part_path(target)
    try:
        handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)  # this user alone
        with open(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, target)
    finally:
        name.unlink(missing_ok=True)


def _copy(db: sqlite3.Connection, store: Path, store_id: str) -> str:
    """Fill an empty database; return a digest of its rows, "" if there is nothing to back up."""
    db.isolation_level = None
    add_functions(db)
    db.execute("ATTACH ? AS store", (store.as_uri() + "?mode=ro",))
    db.execute("BEGIN")  # all rows are of one moment
    words = ("kit", "verdict", "event", "file_said", "fault_dismissed")
    found = [db.execute(f"SELECT 1 FROM store.{table} LIMIT 1").fetchone() for table in words]
    sql = "SELECT 1 FROM store.row_checksum WHERE part = ? LIMIT 1"
    if not any((*found, db.execute(sql, (WORDS,)).fetchone())):
        return ""
    _copy_tables(db)
    rows = db.execute("SELECT * FROM main.row_checksum ORDER BY part, row_id").fetchall()
    digest = str(checksum_of(*rows))
    meta = {"id": store_id, "digest": digest, "schema": str(SCHEMA_VERSION)}
    db.execute("CREATE TABLE main.meta (key TEXT PRIMARY KEY, value TEXT NOT NULL)")
    db.executemany("INSERT INTO main.meta VALUES (?, ?)", meta.items())
    db.execute(f"PRAGMA main.application_id = {APPLICATION_ID + 1}")  # it is not a store
    db.execute("COMMIT")
    db.execute("DETACH store")
    return digest


def _copy_tables(db: sqlite3.Connection) -> None:
    for table in (*TABLES, "row_checksum"):
        sql = "SELECT sql FROM store.sqlite_master WHERE type = 'table' AND name = ?"
        db.execute(db.execute(sql, (table,)).fetchone()[0])
        where = f" WHERE part IN ({LISTED_PARTS})" if table == "row_checksum" else ""
        db.execute(f"INSERT INTO main.{table} SELECT * FROM store.{table}{where}")
    listed = ", ".join(HIT_COLUMNS)
    db.execute(f"CREATE TABLE main.hit (id INTEGER PRIMARY KEY, {listed.removeprefix('id, ')})")
    db.execute(f"INSERT INTO main.hit SELECT {listed} FROM store.hit WHERE id IN ({NAMED_HITS})")
