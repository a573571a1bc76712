"""Read backups: their good rows, and the newest row that replaces a damaged one of the store."""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from catalog.errors import StoreArgumentError, StoreError
from catalog.library.backup.backup import PARTS, open_backup
from catalog.library.backup.backup_files import BackupFile, backup_at, list_backups
from catalog.library.integrity.checksums import WORDS, checked_parts, find_damaged
from catalog.library.store.schema import SCHEMA_VERSION

Row = dict[str, Any]
OLD_MARKS = {"star": "master", "keep": "spare", "reject": "no-good"}  # before store 6


@dataclass(frozen=True)
class Backup:
    """The rows of a backup that have their right checksums, by table."""

    file: BackupFile
    store_id: str
    tables: dict[str, list[Row]]
    n_damaged: int  # rows that were left out


def read_backup(file: BackupFile) -> Backup:
    """Read a backup; raise `StoreError` if it is damaged or of a newer version."""
    try:
        with contextlib.closing(open_backup(file.path)) as db:
            meta = dict(db.execute("SELECT key, value FROM meta").fetchall())
            if int(meta["schema"]) > SCHEMA_VERSION:
                text = "was written by a newer version; update the program"
                raise StoreError(f"{file.path}: {text}")
            return _read(db, file, meta["id"])
    except (sqlite3.Error, KeyError, ValueError) as err:
        text = "is not a backup or is damaged; give another one"
        raise StoreArgumentError(f"{file.path}: {text}") from err


def _read(db: sqlite3.Connection, file: BackupFile, store_id: str) -> Backup:
    tables: dict[str, list[Row]] = {}
    n_damaged = 0
    db.row_factory = sqlite3.Row
    for part in [part for part in checked_parts(db) if part.name in PARTS]:
        damaged = {row.row for row in find_damaged(db, [part])}
        n_damaged += len(damaged)
        rows = db.execute(f"SELECT {part.key_sql()} AS row_number, * FROM {part.table}").fetchall()
        good = [_renew_mark(dict(row)) for row in rows if row["row_number"] not in damaged]
        tables["hit" if part.name == WORDS else part.table] = good
    return Backup(file, store_id, tables, n_damaged)


def _renew_mark(row: Row) -> Row:
    """Return a row with its mark, if it has one, in the words of this version."""
    return row | {"mark": OLD_MARKS.get(row["mark"], row["mark"])} if "mark" in row else row


def choose_backup(store: Path, path: Path | None = None) -> Backup:
    """Return the backup at `path`, by default the newest readable one beside a store.

    Raise `StoreError` if there is none.
    """
    if path is not None:
        return read_backup(backup_at(path))
    for file in list_backups(store):
        with contextlib.suppress(StoreError):
            return read_backup(file)
    raise StoreError(f"{store}: has no readable backup beside it; give the path of one")
