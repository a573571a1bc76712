"""Check a whole store for damage, and have damaged measurements made again by the next scan."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from catalog.library.integrity.checksums import (
    BY_HAND,
    CACHES,
    NO_ROW,
    WORDS,
    DamagedRow,
    checked_parts,
    fill_part,
    find_damaged,
    schema_is_whole,
)
from catalog.library.search_rows.tables import TABLES as SEARCH_TABLES
from catalog.library.search_rows.tables import differing_tables, refill
from catalog.library.store.database import Database

MEASURED = ("fault", "hit", "numbers")  # parts with one row for each hit, measured by a scan
NO_VERSION = 0  # of a measurement: the next scan makes it again


@dataclass(frozen=True)
class Health:
    """What a check found; a store is whole if both are empty."""

    structure: tuple[str, ...]  # faults of the file's structure, in the words of SQLite
    rows: tuple[DamagedRow, ...]

    @property
    def is_whole(self) -> bool:
        """Whether nothing is damaged."""
        return not (self.structure or self.rows)

    @property
    def by_hand(self) -> tuple[DamagedRow, ...]:
        """The damaged rows that no scan can make again."""
        return tuple(row for row in self.rows if row.part in BY_HAND)


def check_store(database: Database) -> Health:
    """Check the structure of the file and the checksum of each row."""
    structure = list(read_structure(database))
    with database.holding() as connection:
        rows: list[DamagedRow] = []
        try:
            for part in checked_parts(connection):
                rows += find_damaged(connection, [part])
            rows += [DamagedRow(table, NO_ROW) for table in differing_tables(connection)]
        except sqlite3.DatabaseError as err:
            structure.append(str(err))
        return Health(tuple(structure), tuple(rows))


def read_structure(database: Database) -> tuple[str, ...]:
    """Return the faults of the file's structure, without its rows."""
    with database.holding() as connection:
        found = [] if schema_is_whole(connection) else ["a table or an index was changed"]
        try:
            rows = connection.execute("PRAGMA integrity_check").fetchall()
        except sqlite3.DatabaseError as err:
            return (*found, str(err))
        return (*found, *(text for (text,) in rows if text != "ok"))


def mend_measurements(database: Database, health: Health) -> int:
    """Let the next scan measure damaged hits again and clear damaged caches; return how many rows.

    Rows that a person wrote are not touched, and keep their wrong checksum.
    """
    mended = [row for row in health.rows if row.part in (*MEASURED, *CACHES, *SEARCH_TABLES)]
    with database.writing() as db:
        for row in mended:
            if row.part in MEASURED:
                db.execute("UPDATE hit SET version = ? WHERE id = ?", (NO_VERSION, row.row))
        _refill(db, mended)
    return len(mended)


def _refill(db: sqlite3.Connection, rows: Iterable[DamagedRow]) -> None:
    names = {row.part for row in rows}
    for part in checked_parts(db):
        if part.name in names and part.name in CACHES:
            db.execute(f"DELETE FROM {part.table}")
        if part.name in names:
            fill_part(db, part)
    if names & set(SEARCH_TABLES):
        refill(db)


def describe(row: DamagedRow) -> str:
    """Return a damaged row in words, with what happens to it."""
    if row.part == WORDS:
        return f"hit {row.row}: its marks, tags, remark, role or state by hand are damaged"
    if row.part in MEASURED:
        return f"hit {row.row}: its measured values are damaged; they are measured again"
    if row.part in (*CACHES, *SEARCH_TABLES):
        return f"computed results ({row.part}) are damaged; they are computed again"
    return f"table {row.part}, row {row.row}: is damaged"
