"""Saved kits by name, and the draft of the kit session, each as JSON text."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from catalog.errors import ParameterError, StoreError
from catalog.library.integrity.damaged_words import WordsCheck
from catalog.library.store.database import Database, insert, now_utc

DRAFT = "kit on the table"  # setting that holds the draft; the name is part of the file format


class SavedKit(NamedTuple):
    """A kit as JSON text, and when it was saved; each saved state has another version number."""

    name: str
    payload: str
    time_utc: str
    version: int


class Kits:
    """Kits by name."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._check = WordsCheck(database)

    def save(self, name: str, payload: str) -> int:
        """Save a kit, as JSON text, under a name and return its version.

        Older versions of that name stay in the file. Raise `ParameterError` if the name is empty.
        """
        with self._database.writing(changes_hits=False) as db:
            return _insert(db, name, payload)

    def save_if(self, name: str, payload: str, *, version: int) -> int | None:
        """Save a kit only if `version` is the newest one of its name, 0 if no kit may have it.

        Return the new version, or None if another one is saved; nothing is changed then.
        """
        with self._database.writing(changes_hits=False) as db:
            newest = self.newest(name)
            if (newest.version if newest else 0) != version:
                return None
            return _insert(db, name, payload)

    def read(self, *, checked: bool = True) -> list[SavedKit]:
        """Return the newest version of each kit, oldest first.

        Raise `StoreError` if one of them is damaged, unless not `checked`.
        """
        newest = "SELECT max(id) FROM kit GROUP BY name"
        if checked:
            self._check.require("kit", f"id IN ({newest})")
        sql = f"SELECT name, payload, time_utc, id FROM kit WHERE id IN ({newest}) ORDER BY id"
        return [SavedKit(*row) for row in self._database.read(sql)]

    def newest(self, name: str) -> SavedKit | None:
        """Return the newest version of one kit, or None if no kit has that name.

        Raise `StoreError` if it is damaged.
        """
        self._check.require("kit", "id = (SELECT max(id) FROM kit WHERE name = ?)", (name,))
        sql = "SELECT name, payload, time_utc, id FROM kit WHERE name = ? ORDER BY id DESC LIMIT 1"
        rows = self._database.read(sql, (name,))
        return SavedKit(*rows[0]) if rows else None

    def delete(self, name: str) -> None:
        """Delete a kit with all its versions; raise `StoreError` if no kit has that name."""
        with self._database.writing(changes_hits=False) as db:
            if not db.execute("DELETE FROM kit WHERE name = ?", (name,)).rowcount:
                raise StoreError(f"no kit is named {name!r}")

    def rename(self, old: str, new: str) -> None:
        """Give a kit another name.

        Raise `StoreError` if no kit has the old name, another has the new one, or it is empty.
        """
        if not new.strip():
            raise StoreError("the new name is empty: give the kit a name to find it by")
        with self._database.writing(changes_hits=False) as db:
            if db.execute("SELECT 1 FROM kit WHERE name = ?", (new,)).fetchone():
                raise StoreError(
                    f"a kit is named {new!r} already; delete that one or take another name"
                )
            if not db.execute("UPDATE kit SET name = ? WHERE name = ?", (new, old)).rowcount:
                raise StoreError(f"no kit is named {old!r}")

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


def _insert(db: sqlite3.Connection, name: str, payload: str) -> int:
    if not name.strip():
        raise ParameterError("name is empty: give the kit a name to find it by")
    return insert(db, "kit", {"name": name, "payload": payload, "time_utc": now_utc()})
