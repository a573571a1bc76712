"""Checksums of rows: a row that changed without this program, by a fault of the disk, is found.

Temporary triggers of each connection keep one checksum for every row of every table. A row of `hit`
has two: one of the columns that a scan can make again, one of the user's words (`WORDS`), and the
latter only if there are any, so that reading the words of a large library stays quick.
"""

from __future__ import annotations

import hashlib
import sqlite3
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

WORDS = "words"  # name of the part of `hit` that a scan cannot make again
WORD_COLUMNS = ("mark", "tags", "remark", "names", "hidden", "aside")
HAS_WORDS = (
    "({0}mark != '' OR {0}tags != '[]' OR {0}remark != '' OR {0}names != '{{}}' OR {0}hidden != 0"
    " OR {0}aside IS NOT NULL OR {0}role_source = 'user' OR {0}session_source = 'user')"
)
ROLE_WORDS = "iif({0}role_source = 'user', {0}role, '')"
SESSION_WORDS = "iif({0}session_source = 'user', {0}session, '')"
BY_HAND = (
    "act", "act_change", "event", "exported", "fault_dismissed",
    "file_said", "home_volume", "journal", "kit", "setting", "verdict", WORDS,
)  # fmt: skip
CACHES = ("copies", "decision", "layout", "learned", "outline")  # can be computed again
UNCHECKED = ("row_checksum", "hit_search", "hit_words", "hit_vocabulary", "coordinates")
NO_ROW = -1  # in place of a row's number that cannot be read


@dataclass(frozen=True)
class CheckedPart:
    """The rows of one table, or the user's words in it, and how their checksums are computed."""

    name: str  # of the table, or `WORDS`
    table: str
    columns: tuple[str, ...]
    key_columns: tuple[str, ...]
    has_integer_key: bool

    def key_sql(self, prefix: str = "") -> str:
        """Return the expression of a row's number; `prefix` is "new." or "old." in a trigger."""
        listed = ", ".join(prefix + column for column in self.key_columns)
        return listed if self.has_integer_key else f"key_of({listed})"

    def sum_sql(self, prefix: str = "") -> str:
        """Return the expression of a row's checksum; NULL for a hit without words."""
        listed = ", ".join(f'{prefix}"{column}"' for column in self.columns)
        if self.name != WORDS:
            return f"checksum_of({listed})"
        extra = f"{ROLE_WORDS}, {SESSION_WORDS}".format(prefix)
        return f"iif({HAS_WORDS.format(prefix)}, checksum_of({listed}, {extra}), NULL)"


class DamagedRow(NamedTuple):
    """A row that differs from its checksum, has none, or is gone."""

    part: str  # name of the table, or `WORDS`
    row: int  # hit id, or number of the row


def checksum_of(*values: Any) -> int:
    """Return the CRC-32 of values of a row with their types; any single wrong bit changes it."""
    short = [("blob", len(v), zlib.crc32(v)) if type(v) is bytes else v for v in values]
    return zlib.crc32(repr(short).encode("utf-8", "surrogatepass"))


def key_of(*values: Any) -> int:
    """Return 63 bits of a digest as the number of a row that has none of its own."""
    digest = hashlib.blake2b(repr(values).encode("utf-8", "surrogatepass"), digest_size=8).digest()
    return int.from_bytes(digest, "big") >> 1


def add_functions(connection: sqlite3.Connection) -> None:
    """Make both functions known to SQL; triggers and migrations use them."""
    connection.create_function("checksum_of", -1, checksum_of, deterministic=True)
    connection.create_function("key_of", -1, key_of, deterministic=True)


def checked_parts(connection: sqlite3.Connection) -> list[CheckedPart]:
    """Return the parts of all tables of a store, by name."""
    sql = "SELECT name FROM main.sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    parts = []
    for (table,) in connection.execute(sql).fetchall():
        if table in UNCHECKED:
            continue
        info = connection.execute(f"PRAGMA main.table_info({table})").fetchall()
        keys = sorted((row[5], row[1]) for row in info if row[5])
        types = {row[1]: row[2] for row in info}
        names = tuple(name for _, name in keys)
        integer = len(names) == 1 and types[names[0]] == "INTEGER"
        columns = tuple(row[1] for row in info)
        if table == "hit":
            parts.append(CheckedPart(WORDS, table, ("id", *WORD_COLUMNS), names, integer))
            columns = tuple(column for column in columns if column not in WORD_COLUMNS)
        parts.append(CheckedPart(table, table, columns, names, integer))
    return sorted(parts, key=lambda part: part.name)


def add_triggers(connection: sqlite3.Connection) -> None:
    """Let this connection keep the checksums of all rows that it writes."""
    connection.execute("PRAGMA recursive_triggers = ON")  # REPLACE then runs the delete triggers
    for part in checked_parts(connection):
        forget = f"DELETE FROM row_checksum WHERE part = '{part.name}' AND row_id = "
        remember = (
            f"INSERT INTO row_checksum SELECT '{part.name}', {part.key_sql('new.')},"
            f" {part.sum_sql('new.')}"
        )
        if part.name == WORDS:
            remember += f" WHERE {HAS_WORDS.format('new.')}"
        old, new = forget + part.key_sql("old."), forget + part.key_sql("new.")
        for when, statements in (
            ("INSERT", (new, remember)),
            (f"UPDATE OF {_watched(part)}", (old, new, remember)),
            ("DELETE", (old,)),
        ):
            connection.execute(
                f"CREATE TEMP TRIGGER {part.name}_{when.split()[0].lower()} AFTER {when}"
                f" ON main.{part.table} BEGIN {'; '.join(statements)}; END"
            )


class WordsWatch:
    """Whether something that a scan cannot make again has changed since `is_changed` was reset."""

    is_changed = False


def watch_words(connection: sqlite3.Connection) -> WordsWatch:
    """Watch the checksums that this connection writes for those of the parts `BY_HAND`."""
    watch = WordsWatch()

    def note_change() -> None:
        watch.is_changed = True

    connection.create_function("note_change", 0, note_change)
    parts = ", ".join(f"'{part}'" for part in BY_HAND)
    for row, when in (("new", "INSERT"), ("old", "DELETE")):
        connection.execute(
            f"CREATE TEMP TRIGGER words_watch_{when.lower()} AFTER {when} ON main.row_checksum"
            f" WHEN {row}.part IN ({parts}) BEGIN SELECT note_change(); END"
        )
    return watch


def _watched(part: CheckedPart) -> str:
    columns = part.columns
    if part.name == WORDS:
        columns += ("role", "role_source", "session", "session_source")
    return ", ".join(f'"{column}"' for column in columns)


def fill_checksums(connection: sqlite3.Connection) -> None:
    """Compute the checksums of all rows that a store holds."""
    connection.execute("DELETE FROM row_checksum")
    for part in checked_parts(connection):
        fill_part(connection, part)
    save_schema_sum(connection)


def fill_part(connection: sqlite3.Connection, part: CheckedPart) -> None:
    """Compute the checksums of all rows of one part."""
    where = f" WHERE {HAS_WORDS.format('')}" if part.name == WORDS else ""
    connection.execute("DELETE FROM row_checksum WHERE part = ?", (part.name,))
    connection.execute(
        f"INSERT INTO row_checksum SELECT '{part.name}', {part.key_sql()}, {part.sum_sql()}"
        f" FROM {part.table}{where}"
    )


def save_schema_sum(connection: sqlite3.Connection) -> None:
    """Store the checksum of the definitions of all tables, after a change of them."""
    values = ("schema", 0, _schema_sum(connection))
    connection.execute("INSERT OR REPLACE INTO row_checksum VALUES (?, ?, ?)", values)


def _schema_sum(connection: sqlite3.Connection) -> int:
    sql = "SELECT type, name, tbl_name, sql FROM main.sqlite_master ORDER BY type, name"
    return checksum_of(*(value for row in connection.execute(sql) for value in row))


def find_damaged(connection: sqlite3.Connection, parts: Sequence[CheckedPart]) -> list[DamagedRow]:
    """Return the rows of some parts that differ from their checksums."""
    return [DamagedRow(part.name, row) for part in parts for row in _damaged_rows(connection, part)]


def schema_is_whole(connection: sqlite3.Connection) -> bool:
    """Return whether the definitions of all tables and indexes are as they were created."""
    sql = "SELECT checksum FROM row_checksum WHERE part = 'schema' AND row_id = 0"
    return connection.execute(sql).fetchone() == (_schema_sum(connection),)


def _damaged_rows(connection: sqlite3.Connection, part: CheckedPart) -> Iterator[int]:
    key, wrong = part.key_sql("t."), f"c.checksum IS NOT {part.sum_sql('t.')}"
    sql = (
        f"SELECT {key} FROM {part.table} t LEFT JOIN row_checksum c"
        f" ON c.part = '{part.name}' AND c.row_id = {key} WHERE {wrong}"
    )
    try:
        yield from (row for (row,) in connection.execute(sql).fetchall())
    except sqlite3.OperationalError:  # a text is not valid UTF-8; find its row
        yield from _unreadable_rows(connection, part, sql)
        return
    gone = (
        f"SELECT row_id FROM row_checksum WHERE part = '{part.name}'"
        f" AND row_id NOT IN (SELECT {part.key_sql()} FROM {part.table})"
    )
    yield from (row for (row,) in connection.execute(gone).fetchall())


def _unreadable_rows(connection: sqlite3.Connection, part: CheckedPart, sql: str) -> Iterator[int]:
    """Yield the damaged rows of a part one by one; `NO_ROW` for one that has no number."""
    if not part.has_integer_key:
        yield NO_ROW
        return
    (column,) = part.key_columns
    for (row,) in connection.execute(f"SELECT {column} FROM {part.table}").fetchall():
        try:
            if connection.execute(f"{sql} AND t.{column} = ?", (row,)).fetchall():
                yield row
        except sqlite3.OperationalError:
            yield row
