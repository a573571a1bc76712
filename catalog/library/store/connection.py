"""Open the SQLite file of a store, read-only if its disk is; word the errors of SQLite."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from catalog.errors import StoreArgumentError, StoreError
from catalog.library.backup.backup_files import describe_newest
from catalog.library.integrity.checksums import (
    WordsWatch,
    add_functions,
    add_triggers,
    save_schema_sum,
    watch_words,
)
from catalog.library.search_rows.tables import (
    add_search_triggers,
    are_filled,
    are_indexed,
    make_indexes,
    make_tables,
)
from catalog.library.store.acts.recording import Recording
from catalog.library.store.schema import (
    SCHEMA_VERSION,
    check_is_store,
    migrate,
    read_pragma,
)

WAIT_S = 60.0  # how long a writer waits for another one; a batch of a scan takes well under one
RETRY_S = 0.02  # between two attempts to enter write-ahead mode
READ_ONLY = (
    "its disk, folder or file is read-only, so nothing can be changed; check the permissions, or"
    " copy the store and the folder of files set aside to another disk"
)
DAMAGED = "is not a store or is damaged"
# Primary result codes of SQLite: https://www.sqlite.org/rescode.html
SENTENCES = {
    sqlite3.SQLITE_FULL: "its disk is full, and this change was not stored; free some space, then"
    " try again",
    sqlite3.SQLITE_READONLY: READ_ONLY,
    sqlite3.SQLITE_PERM: READ_ONLY,
    sqlite3.SQLITE_IOERR: "the disk reported a fault, and this change was not stored; check the"
    " disk and its connection, and copy the store to another disk",
    sqlite3.SQLITE_BUSY: f"another program has been writing to it for {WAIT_S:.0f} s; try again"
    " later",
    sqlite3.SQLITE_LOCKED: f"another program has been writing to it for {WAIT_S:.0f} s; try again"
    " later",
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; check that it is there, and the permissions of its"
    " folder",
}
UNWRITABLE = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN)


@dataclass(frozen=True)
class Connection:
    """An open connection; `copy` is a temporary folder that holds the file, if one was needed."""

    connection: sqlite3.Connection
    watch: WordsWatch = field(default_factory=WordsWatch)
    recording: Recording = field(default_factory=Recording)
    is_read_only: bool = False
    copy: tempfile.TemporaryDirectory[str] | None = None

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self.connection.close()
        if self.copy is not None:
            self.copy.cleanup()


def primary_code(err: sqlite3.Error) -> int:
    """Return the primary result code of an error; 0 if it has none."""
    return int(getattr(err, "sqlite_errorcode", None) or 0) & 0xFF


@contextlib.contextmanager
def translate_errors(path: Path) -> Iterator[None]:
    """Turn an error of SQLite into a `StoreError` that states what to do."""
    try:
        yield
    except sqlite3.Error as err:
        text = SENTENCES.get(primary_code(err), str(err))
        if text == DAMAGED or "decode to UTF-8" in str(err):
            text = describe_damage(path)
        raise StoreError(f"{path}: {text}") from err
    except UnicodeDecodeError as err:
        raise StoreError(f"{path}: {describe_damage(path)}") from err
    except OverflowError as err:
        raise StoreArgumentError(
            "a number has more than 64 bits; no hit or step has such a number"
        ) from err
    except UnicodeEncodeError as err:
        raise StoreArgumentError(f"{err.object!r} is not valid text; type it again") from err


def describe_damage(path: Path) -> str:
    """Return that a file is damaged, and which backup restores it."""
    return f"{DAMAGED}; {describe_newest(path) or 'give another path or restore a backup'}"


def connect(path: Path) -> Connection:
    """Open or create the file, check that it is a store, and migrate it.

    A store that cannot be written is opened for reading. Raise `StoreError` if it cannot be opened,
    is something else, or was written by a newer version.
    """
    with translate_errors(path):
        try:
            connection = _connect_to_write(path)
            opened = Connection(connection, watch=watch_words(connection))
            opened.recording.add_triggers(connection)
            return opened
        except sqlite3.OperationalError as err:
            if primary_code(err) not in UNWRITABLE or not path.is_file():
                raise
            return _connect_to_read(path)


def _connect_to_write(path: Path) -> sqlite3.Connection:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(
            path, timeout=WAIT_S, isolation_level=None, check_same_thread=False
        )
    except (OSError, sqlite3.OperationalError) as err:
        if path.is_file():
            raise
        text = f"{path}: cannot be opened ({err}); check the folder or give another path"
        raise StoreError(text) from err
    try:
        check_is_store(path, connection)
        _enter_wal(connection)
        add_functions(connection)
        migrate(path, connection)
        _make_search_tables(connection)
        add_triggers(connection)
        add_search_triggers(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _make_search_tables(connection: sqlite3.Connection) -> None:
    """Fill the tables that queries read, if this version of the program has not done it yet."""
    if are_filled(connection) and are_indexed(connection):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        if not are_filled(connection):  # another process may have done it
            make_tables(connection)
        elif not are_indexed(connection):
            make_indexes(connection)
        save_schema_sum(connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _connect_to_read(path: Path) -> Connection:
    """Open a file that cannot be written.

    SQLite can read a file in write-ahead mode without writing beside it only if no log is left, and
    if it is declared immutable [1]_. A log that is left is read in a copy of both.

    References
    ----------
    .. [1] https://www.sqlite.org/wal.html, "Read-Only Databases"
    """
    log, copy, place = path.with_name(path.name + "-wal"), None, path
    if log.is_file() and log.stat().st_size:
        copy = tempfile.TemporaryDirectory(prefix="catalog-", ignore_cleanup_errors=True)
        place = Path(copy.name) / path.name
        shutil.copyfile(path, place)
        shutil.copyfile(log, Path(copy.name) / log.name)
    options = "" if copy else "?mode=ro&immutable=1"
    connection = sqlite3.connect(
        place.as_uri() + options, uri=True, isolation_level=None, check_same_thread=False
    )
    opened = Connection(connection, is_read_only=True, copy=copy)
    try:
        check_is_store(path, connection)
        is_current = read_pragma(connection, "user_version") == SCHEMA_VERSION
        if not (is_current and are_filled(connection)):
            text = f"{path}: is a store of an older version and cannot be migrated; {READ_ONLY}"
            raise StoreError(text)
        add_functions(connection)
    except BaseException:
        opened.close()
        raise
    return opened


def _enter_wal(connection: sqlite3.Connection) -> None:
    """Switch to write-ahead mode; retry here, since SQLite does not wait for other openers."""
    give_up = time.monotonic() + WAIT_S
    while True:
        try:
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                connection.execute("PRAGMA journal_mode = WAL")
            break
        except sqlite3.OperationalError as err:
            if "locked" not in str(err) or time.monotonic() > give_up:
                raise
            time.sleep(RETRY_S)
    # The journal of file moves must survive a power cut.
    connection.execute("PRAGMA synchronous = FULL")
