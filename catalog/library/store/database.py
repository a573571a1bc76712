"""The SQLite file of a store: its connection, transactions, revision and settings.

The file is in write-ahead mode, so readers never wait for a scan. Arrays are little-endian. Paths
are text, or bytes where the file system's name is not valid UTF-8.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from catalog.errors import StoreError
from catalog.interrupts import uninterrupted
from catalog.library.backup.backup import PAUSE, back_up
from catalog.library.store.connection import (
    READ_ONLY,
    WAIT_S,
    Connection,
    connect,
    translate_errors,
)

POLL_S = 0.2  # after which a waiting writer can be stopped by Ctrl+C
IDS_PER_QUERY = 500  # SQLite allows 999 values in its older versions


def now_utc() -> str:
    """Return the time now as ISO 8601 text in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def path_to_db(path: str | os.PathLike[str]) -> str | bytes:
    """Return a path as SQLite can hold it: text, or bytes where its name is not valid text."""
    text = os.fspath(path)
    try:
        text.encode()
    except UnicodeEncodeError:
        return os.fsencode(text)
    return text


def path_from_db(value: str | bytes) -> str:
    """Return the path that `path_to_db` was given."""
    return value if isinstance(value, str) else os.fsdecode(value)


class Database:
    """The open file. Usable from several threads; several processes may open the same file."""

    def __init__(self, path: Path, opened: Connection) -> None:
        self.path = path
        self.is_read_only = opened.is_read_only
        self._opened = opened
        self.recording = opened.recording
        self._connection = opened.connection
        self._lock = threading.RLock()
        self._file = os.stat(path)
        self._next_backup_s = 0.0  # time.monotonic()
        self.damaged_hits: set[int] = set()  # whose words were found damaged when they were read

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open or create the file and migrate it to the present schema; see `Store.open`."""
        absolute = Path(os.path.abspath(path))
        return cls(absolute, connect(absolute))

    @property
    def aside_folder(self) -> Path:
        """The folder beside the file that holds the recordings set aside."""
        return self.path.with_name(self.path.name + ".aside")

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        with self._lock:
            self._opened.close()

    @contextlib.contextmanager
    def holding(self) -> Iterator[sqlite3.Connection]:
        """Give the connection for queries while no other thread uses it."""
        with self._lock, translate_errors(self.path):
            yield self._connection

    def read(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """Run one query and return all its rows."""
        with self._lock, translate_errors(self.path):
            return self._connection.execute(sql, values).fetchall()

    def read_by_id(self, sql: str, ids: Sequence[int]) -> list[Any]:
        """Run a query, given up to its last word "IN", for many ids; return all its rows."""
        rows = []
        for at in range(0, len(ids), IDS_PER_QUERY):
            batch = ids[at : at + IDS_PER_QUERY]
            rows += self.read(f"{sql} ({placeholders(len(batch))})", batch)
        return rows

    @contextlib.contextmanager
    def writing(self, *, changes_hits: bool = True) -> Iterator[sqlite3.Connection]:
        """Hold the only right to write until the block ends; all of it is kept, or nothing.

        The revision grows if `changes_hits`, so that caches of hits become stale.
        """
        if self.is_read_only:
            raise StoreError(f"{self.path}: {READ_ONLY}")
        with self._lock, translate_errors(self.path):
            if self._connection.in_transaction:
                with self.recording.transaction(self._connection):
                    yield self._connection
                return
            self.check_in_place()
            with contextlib.ExitStack() as stack:
                self._begin(stack)
                try:
                    with self.recording.transaction(self._connection):
                        yield self._connection
                    if changes_hits:
                        self._connection.execute("UPDATE revision SET value = value + 1")
                    self._back_up_before_change()
                    self._connection.execute("COMMIT")
                except BaseException:
                    with contextlib.suppress(sqlite3.OperationalError):  # SQLite ended it by itself
                        self._connection.execute("ROLLBACK")
                    raise
            self.check_in_place()

    def _back_up_before_change(self) -> None:
        """Back up the state before this transaction if it changes what a scan cannot make again.

        Another connection still reads that state.
        """
        if self._opened.watch.is_changed and time.monotonic() >= self._next_backup_s:
            self._next_backup_s = time.monotonic() + PAUSE.total_seconds()
            back_up(self.path, self._connection)
        self._opened.watch.is_changed = False

    def _begin(self, stack: contextlib.ExitStack) -> None:
        """Begin a transaction, and delay Ctrl+C until `stack` ends; while waiting, allow it."""
        give_up = time.monotonic() + WAIT_S
        self._connection.execute(f"PRAGMA busy_timeout = {round(1000 * POLL_S)}")
        try:
            while True:
                with contextlib.ExitStack() as delay:
                    delay.enter_context(uninterrupted())
                    try:
                        self._connection.execute("BEGIN IMMEDIATE")
                    except sqlite3.OperationalError as err:
                        if not _is_locked(err) or time.monotonic() > give_up:
                            raise
                    else:
                        stack.push(delay.pop_all())
                        return
        finally:
            self._connection.execute(f"PRAGMA busy_timeout = {round(1000 * WAIT_S)}")

    def check_in_place(self) -> None:
        """Raise `StoreError` if the file was deleted, moved or replaced since it was opened.

        The system would still let this process write to it, but nobody could open it again.
        """
        try:
            is_same = os.path.samestat(os.stat(self.path), self._file)
        except (FileNotFoundError, NotADirectoryError):
            is_same = False
        except OSError:  # its folder cannot be accessed, but the open file may be in place
            is_same = True
        if not is_same:
            raise StoreError(
                f"{self.path}: another program deleted, moved or replaced it while it was open; "
                "later changes are not in it; restore it from a backup, or scan again"
            )

    def revision(self) -> int:
        """Return a number that grows with each change of hits, their roles or their states."""
        return int(self.read("SELECT value FROM revision")[0][0])

    def read_setting(self, key: str, default: Any = None) -> Any:
        """Return the small value stored under `key`, or `default`."""
        rows = self.read("SELECT value FROM setting WHERE key = ?", (key,))
        return json.loads(rows[0][0]) if rows else default

    def save_setting(self, key: str, value: Any) -> None:
        """Store a small value that JSON can hold under `key`."""
        with self.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO setting VALUES (?, ?)", (key, json.dumps(value)))


def digest_to_key(digest: bytes) -> int:
    """Return the first 63 bits of a digest: SQLite holds signed integers of 64 bits."""
    return int.from_bytes(digest[:8], "big") >> 1


def placeholders(n: int) -> str:
    """Return "?, ?, ?" for `n` values of a statement."""
    return ", ".join("?" * n)


def insert(db: sqlite3.Connection, table: str, values: Mapping[str, Any]) -> int:
    """Insert a row by its column names and return its id."""
    sql = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({placeholders(len(values))})"
    return int(db.execute(sql, tuple(values.values())).lastrowid or 0)


def update_hit(db: sqlite3.Connection, hit_id: int, values: Mapping[str, Any]) -> None:
    """Change columns of one hit."""
    assignments = ", ".join(f"{column} = ?" for column in values)
    db.execute(f"UPDATE hit SET {assignments} WHERE id = ?", (*values.values(), hit_id))


def _is_locked(err: sqlite3.OperationalError) -> bool:
    return "locked" in str(err) or "busy" in str(err)
