"""Saved kits by name, and the draft of the kit session, each as JSON text."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from typing import NamedTuple

from catalog.errors import ParameterError, StoreArgumentError
from catalog.library.integrity.damaged_words import WordsCheck
from catalog.library.store.database import Database, insert, now_utc

COLUMNS = "name, payload, time_utc, id, kit_id"
DRAFT = "kit on the table"  # setting that holds the draft; the name is part of the file format


class SavedKit(NamedTuple):
    """A kit as JSON text, and when it was saved; each saved state has another version number."""

    name: str
    payload: str
    time_utc: str
    version: int
    kit_id: int  # the same for all versions, also under a new name


class Kits:
    """Kits by name."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._check = WordsCheck(database)

    def save(self, name: str, payload: str) -> int:
        """Save a kit, as JSON text, under a name and return its version.

        Older versions of that name stay in the file. Raise `ParameterError` if the name is empty.
        """
        with self._act("save kit", name) as db:
            return self._insert(db, name, payload)

    def save_if(self, name: str, payload: str, *, version: int) -> int | None:
        """Save a kit only if `version` is the newest one of its name, 0 if no kit may have it.

        Return the new version, or None if another one is saved; nothing is changed then.
        """
        with self._act("change kit" if version else "save kit", name) as db:
            newest = self.newest(name)
            if (newest.version if newest else 0) != version:
                return None
            return self._insert(db, name, payload)

    def read(self, *, checked: bool = True) -> list[SavedKit]:
        """Return the newest version of each kit, the kit that was first saved first.

        Raise `StoreError` if one of them is damaged, unless not `checked`.
        """
        newest = "SELECT max(id) FROM kit GROUP BY kit_id"
        if checked:
            self._check.require("kit", f"id IN ({newest})")
        sql = f"SELECT {COLUMNS} FROM kit WHERE id IN ({newest}) ORDER BY kit_id"
        return [SavedKit(*row) for row in self._database.read(sql)]

    def newest(self, name: str) -> SavedKit | None:
        """Return the newest version of one kit, or None if no kit has that name.

        Raise `StoreError` if it is damaged.
        """
        self._check.require("kit", "id = (SELECT max(id) FROM kit WHERE name = ?)", (name,))
        sql = f"SELECT {COLUMNS} FROM kit WHERE name = ? ORDER BY id DESC LIMIT 1"
        rows = self._database.read(sql, (name,))
        return SavedKit(*rows[0]) if rows else None

    def versions(self, name: str) -> list[SavedKit]:
        """Return all versions of a kit, the newest last.

        Raise `StoreError` if no kit has that name, or a version is damaged.
        """
        self._check.require("kit", "name = ?", (name,))
        rows = self._database.read(f"SELECT {COLUMNS} FROM kit WHERE name = ? ORDER BY id", (name,))
        if not rows:
            raise StoreArgumentError(f"no kit is named {name!r}")
        return [SavedKit(*row) for row in rows]

    def delete(self, name: str) -> None:
        """Delete a kit with all its versions; raise `StoreError` if no kit has that name."""
        with self._act("delete kit", name) as db:
            if not db.execute("DELETE FROM kit WHERE name = ?", (name,)).rowcount:
                raise StoreArgumentError(f"no kit is named {name!r}")

    def rename(self, old: str, new: str) -> None:
        """Give a kit another name.

        Raise `StoreError` if no kit has the old name, another has the new one, or it is empty.
        """
        if not new.strip():
            raise StoreArgumentError("the new name is empty: give the kit a name to find it by")
        with self._act("rename kit", f"{old} to {new}") as db:
            if db.execute("SELECT 1 FROM kit WHERE name = ?", (new,)).fetchone():
                raise StoreArgumentError(
                    f"a kit is named {new!r} already; delete that one or take another name"
                )
            if not db.execute("UPDATE kit SET name = ? WHERE name = ?", (new, old)).rowcount:
                raise StoreArgumentError(f"no kit is named {old!r}")

    def save_draft(self, text: str, *, before: str | None = None) -> bool:
        """Save the kit session, as text; return whether it was saved.

        With `before` it is saved only if that is still the text of the store.
        """
        with self._database.writing(changes_hits=False):
            if before is not None and self.read_draft() != before:
                return False
            self._database.save_setting(DRAFT, text)
        return True

    def read_draft(self) -> str:
        """Return the kit session that was saved last; "" if none was."""
        return str(self._database.read_setting(DRAFT, ""))

    @contextlib.contextmanager
    def _act(self, verb: str, summary: str) -> Iterator[sqlite3.Connection]:
        """Open a transaction that is one act."""
        recording, writing = self._database.recording, self._database.writing
        with recording.act(verb, summary), writing(changes_hits=False) as db:
            yield db

    def _insert(self, db: sqlite3.Connection, name: str, payload: str) -> int:
        if not name.strip():
            raise ParameterError("name is empty: give the kit a name to find it by")
        newest = self.newest(name)
        kit_id = newest.kit_id if newest else _new_kit_id(db)
        row = {"name": name, "payload": payload, "time_utc": now_utc(), "kit_id": kit_id}
        return insert(db, "kit", row)


def _new_kit_id(db: sqlite3.Connection) -> int:
    """Return the number of the next version, which no kit has had."""
    row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'kit'").fetchone()
    return int(row[0]) + 1 if row else 1
