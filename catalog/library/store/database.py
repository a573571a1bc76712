"""The store's file: its tables, opening and migrating it, transactions, and results kept as wholes.

One SQLite file in write-ahead mode, so readers never wait for a scan. Arrays are little-endian.
Paths are text, or bytes where the file system's name is no valid UTF-8.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import threading
import time
import zlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

import numpy as np

from catalog.errors import ParameterError, StoreError
from catalog.library.store.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION, TABLES
from catalog.models import Action, HistoryEvent

WAIT_S = 60.0  # how long a writer waits for another one; a batch of a scan takes well under one

SavedGroup = tuple[int, tuple[tuple[int, str, float], ...]]


def now_utc() -> str:
    """Give the time now as ISO 8601 text in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def path_to_db(path: str | os.PathLike[str]) -> str | bytes:
    """Give a path as SQLite can hold it: text, or bytes where its name is no valid text."""
    text = os.fspath(path)
    try:
        text.encode()
    except UnicodeEncodeError:
        return os.fsencode(text)
    return text


def path_from_db(value: str | bytes) -> str:
    """Give back what `path_to_db` was given."""
    return value if isinstance(value, str) else os.fsdecode(value)


class Database:
    """The open file. Usable from several threads; several processes may open the same file."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._lock = threading.RLock()

    @property
    def aside_folder(self) -> Path:
        """The folder beside the store that holds the files set aside."""
        return self.path.with_name(self.path.name + ".aside")

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        with self._lock:
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def read(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        """Run one query and give all its rows."""
        with self._lock, told_plainly(self.path):
            return self._connection.execute(sql, values).fetchall()

    @contextlib.contextmanager
    def writing(self, *, changes_hits: bool = True) -> Iterator[sqlite3.Connection]:
        """Hold the only right to write until the block ends; all of it is kept, or nothing.

        Parameters
        ----------
        changes_hits : bool
            whether `revision` grows, so that caches of hits are thrown away
        """
        with self._lock, told_plainly(self.path):
            if self._connection.in_transaction:
                yield self._connection
                return
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                if changes_hits:
                    self._connection.execute("UPDATE revision SET value = value + 1")
                self._connection.execute("COMMIT")
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise

    def revision(self) -> int:
        """Give a number that grows with each change of hits, their roles or their states."""
        return int(self.read("SELECT value FROM revision")[0][0])

    def setting(self, key: str, default: Any = None) -> Any:
        """Give a small value kept under `key`, or `default`."""
        rows = self.read("SELECT value FROM setting WHERE key = ?", (key,))
        return json.loads(rows[0][0]) if rows else default

    def set_setting(self, key: str, value: Any) -> None:
        """Keep a small value that JSON can hold under `key`."""
        with self.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO setting VALUES (?, ?)", (key, json.dumps(value)))

    def new_step(self) -> int:
        """Give a number that ties together what is done at once; it grows, and no other has it."""
        with self.writing(changes_hits=False) as db:
            last = db.execute("SELECT max(max(id), max(step)) FROM event").fetchone()[0] or 0
            step = max(int(last), int(self.setting("step", 0))) + 1
            self.set_setting("step", step)
        return step

    def add_event(
        self, action: Action, hit_id: int, *, source: Path, target: Path, reason: str, step: int = 0
    ) -> HistoryEvent:
        """Write one thing that was done into the history; 0 makes it a step of its own."""
        when, step = now_utc(), step or self.new_step()
        row = (when, action, hit_id, path_to_db(source), path_to_db(target), reason, step)
        with self.writing(changes_hits=False) as db:
            made = db.execute(
                "INSERT INTO event (time_utc, action, hit_id, source, target, reason, step)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                row,
            )
        number = int(made.lastrowid or 0)
        return HistoryEvent(number, when, action, hit_id, source, target, reason, step)

    def history(self) -> list[HistoryEvent]:
        """Give everything that was done, newest last."""
        columns = "id, time_utc, action, hit_id, source, target, reason, step"
        return [
            HistoryEvent(
                i, t, Action(a), h, Path(path_from_db(s)), Path(path_from_db(g)), r, step or i
            )
            for i, t, a, h, s, g, r, step in self.read(f"SELECT {columns} FROM event ORDER BY id")
        ]

    def save_layout(
        self, hit_ids: Sequence[int] | np.ndarray, xy: np.ndarray, *, kind: str, seed: int
    ) -> None:
        """Keep the map; it takes the place of the one before.

        Parameters
        ----------
        hit_ids : ints, shape (n,)
        xy : np.ndarray, shape (n, 2), no unit
        kind : str, "umap", "pca" or "placed"
        seed : int, what the layout started from

        Raises
        ------
        ParameterError
            if the shapes do not fit
        """
        ids, places = np.asarray(hit_ids, dtype="<i8"), np.asarray(xy, dtype="<f4")
        if places.shape != (len(ids), 2):
            raise ParameterError(
                f"xy has shape {places.shape}; {len(ids)} hits need ({len(ids)}, 2)"
            )
        row = (ids.tobytes(), places.tobytes(), kind, seed, now_utc())
        with self.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO layout VALUES (1, ?, ?, ?, ?, ?)", row)

    def layout(self) -> tuple[np.ndarray, np.ndarray, str]:
        """Give the kept map: ids int64 (n,), places float32 (n, 2), kind; n = 0 and "" if none."""
        rows = self.read("SELECT hit_ids, xy, kind FROM layout")
        ids, xy, kind = rows[0] if rows else (b"", b"", "")
        places = np.frombuffer(xy, dtype="<f4").reshape(-1, 2).astype(np.float32)
        return np.frombuffer(ids, dtype="<i8").astype(np.int64), places, str(kind)

    def layout_stamp(self) -> int:
        """Give a number that changes when another map is kept."""
        rows = self.read("SELECT hit_ids, xy FROM layout")
        return zlib.crc32(b"".join(rows[0])) if rows else 0

    def save_copies(self, groups: Sequence[SavedGroup], *, revision: int) -> None:
        """Keep the copy groups that were found when the store stood at `revision`.

        Parameters
        ----------
        groups : sequence of (keep id, ((other id, relation, evidence 0..1), ...))
        revision : int
        """
        with self.writing(changes_hits=False) as db:
            row = (json.dumps(groups), revision)
            db.execute("INSERT OR REPLACE INTO copies VALUES (1, ?, ?)", row)

    def saved_copies(self) -> tuple[list[SavedGroup], int] | None:
        """Give the kept copy groups and the revision that they belong to; None if never kept."""
        rows = self.read("SELECT payload, revision FROM copies")
        if not rows:
            return None
        groups = json.loads(rows[0][0])
        return [(keep, tuple((i, r, e) for i, r, e in others)) for keep, others in groups], rows[0][
            1
        ]

    def save_kit(self, name: str, payload: str) -> None:
        """Keep a kit, as JSON text, under a name; older ones of that name stay in the file.

        Raises
        ------
        ParameterError
            if the name is empty
        """
        if not name.strip():
            raise ParameterError("name is empty: give the kit a name to find it by")
        with self.writing(changes_hits=False) as db:
            row = (name, payload, now_utc())
            db.execute("INSERT INTO kit (name, payload, time_utc) VALUES (?, ?, ?)", row)

    def kits(self) -> list[tuple[str, str, str]]:
        """Give the newest kit of each name as (name, payload, time UTC), oldest first."""
        newest = "SELECT max(id) FROM kit GROUP BY name"
        return self.read(
            f"SELECT name, payload, time_utc FROM kit WHERE id IN ({newest}) ORDER BY id"
        )


@contextlib.contextmanager
def told_plainly(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into a `StoreError` that says what to do."""
    try:
        yield
    except sqlite3.Error as err:
        text = str(err)
        if "locked" in text or "busy" in text:
            text = f"another program has been writing to it for {WAIT_S:.0f} s; try again later"
        elif "not a database" in text or "malformed" in text:
            text = "is no store or is damaged; give another place or put a backup in its stead"
        elif "full" in text or "readonly" in text:
            text = f"cannot be written ({text}); make room or check that you may write there"
        raise StoreError(f"{path}: {text}") from err


def connect(path: Path) -> sqlite3.Connection:
    """Open or create the file, check that it is a store of ours, and bring it up to date.

    Raises
    ------
    StoreError
        if it cannot be opened, is something else, or was written by a newer version
    """
    with told_plainly(path):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(
                path, timeout=WAIT_S, isolation_level=None, check_same_thread=False
            )
        except (OSError, sqlite3.OperationalError) as err:
            raise StoreError(
                f"{path}: cannot be opened ({err}); check the folder or give another"
            ) from err
        try:
            _check_ours(path, connection)
            _enter_wal(connection)
            _bring_up_to_date(path, connection)
        except BaseException:
            connection.close()
            raise
    return connection


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def _check_ours(path: Path, connection: sqlite3.Connection) -> None:
    n_tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if n_tables and _pragma(connection, "application_id") != APPLICATION_ID:
        raise StoreError(f"{path}: is a database of another program; give the store another place")
    version = _pragma(connection, "user_version")
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path}: was written by a newer version (store {version}, this one reads up to "
            f"{SCHEMA_VERSION}); update the program, or give another store"
        )


def _enter_wal(connection: sqlite3.Connection) -> None:
    """Switch to write-ahead mode; SQLite does not wait for other openers here, so we do."""
    give_up = time.monotonic() + WAIT_S
    while True:
        try:
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                connection.execute("PRAGMA journal_mode = WAL")
            break
        except sqlite3.OperationalError as err:
            if "locked" not in str(err) or time.monotonic() > give_up:
                raise
            time.sleep(0.02)
    connection.execute(
        "PRAGMA synchronous = FULL"
    )  # what set_aside journals must survive a power cut


def _bring_up_to_date(path: Path, connection: sqlite3.Connection) -> None:
    if _pragma(connection, "user_version") == SCHEMA_VERSION:
        return
    if _pragma(connection, "user_version"):
        _back_up(path, connection)
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _pragma(connection, "user_version")  # another process may have been faster
        steps = (
            [TABLES] if version == 0 else [MIGRATIONS[v] for v in range(version, SCHEMA_VERSION)]
        )
        if version < SCHEMA_VERSION:
            for statement in ";".join(steps).split(";"):
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _back_up(path: Path, connection: sqlite3.Connection) -> None:
    """Copy the whole store beside itself before a migration changes it."""
    version = _pragma(connection, "user_version")
    with contextlib.closing(
        sqlite3.connect(path.with_name(f"{path.name}.before-{version}"))
    ) as copy:
        connection.backup(copy)
