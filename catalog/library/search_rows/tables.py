"""The tables that queries read, and the triggers that keep them equal to `hit`.

A row of `hit` is wide: with 100,000 hits, reading all of them takes longer than a query may take.
`hit_search` holds the columns that a query compares, `hit_words` the text of each hit, and
`hit_vocabulary` the words that occur or occurred in these texts. They hold nothing of their own and
are filled again when their columns change.
"""

from __future__ import annotations

import sqlite3

from catalog.features.descriptors.table import DESCRIPTORS
from catalog.library.search_rows.values import add_functions

NUMBERS = tuple(descriptor.name for descriptor in DESCRIPTORS)
STATE = "CASE WHEN state = 'here' AND hidden THEN 'hidden' ELSE state END"
GIVEN = "coalesce(json_extract(iif(json_valid(names), names, '{{}}'), '$.{0}'), {0})"
# Columns of `hit_search` but for the numbers, with the expressions over `hit` that compute them.
EXPRESSIONS = {
    "hit_id": "id",
    "state": STATE,
    "name": "name_of_hit(path, mate, region)",
    "role": "role",
    "role_source": "role_source",
    "confidence": "iif(role_source = 'user', 1.0, role_confidence)",
    "session": "session",
    "drum": GIVEN.format("drum"),
    "microphone": GIVEN.format("microphone"),
    "event": GIVEN.format("event"),
    "damping": "damping_of_hit(names, tags, path, origin)",
    "mark": "mark",
    "tags": "tags",
    "region": "region",
    "start_s": "1.0 * start / sr",
    "sr": "sr",
    "n_channels": "n_channels",
    "format": "container || ' ' || subtype",
    "recorded": "date_recorded(origin, mtime_ns)",
    "scanned": "scanned_utc",
}
TEXTS = " || ' ' || ".join(
    f"hit.{column}"
    for column in ("session", "drum", "microphone", "take", "note", "remark", "mark")
)
WORDS = f"words_of_hit(s.name, hit.role, hit.tags, origin, names, {TEXTS})"
SEARCH_COLUMNS = (*EXPRESSIONS, *NUMBERS)
WORD_COLUMNS = ("hit_id", "words")
WATCHED = (  # columns of `hit` that the tables are computed from
    "path", "mate", "region", "state", "hidden", "role", "role_source", "role_confidence",
    "session", "drum", "microphone", "take", "note", "remark", "mark", "tags", "names", "origin",
    "descriptors", "event", "start", "sr", "n_channels", "container", "subtype", "mtime_ns",
    "scanned_utc",
)  # fmt: skip
TABLES = {
    "hit_search": SEARCH_COLUMNS,
    "hit_words": WORD_COLUMNS,
    "hit_vocabulary": ("word",),
}
ROW_TABLES = ("hit_search", "hit_words")  # with one row for each hit
INDEXED = {"session": "session, drum", "drum": "drum", "microphone": "microphone"}


def are_filled(connection: sqlite3.Connection) -> bool:
    """Return whether the tables have the columns of this version."""
    return all(
        tuple(row[1] for row in connection.execute(f"PRAGMA main.table_info({table})")) == columns
        for table, columns in TABLES.items()
    )


def make_tables(connection: sqlite3.Connection) -> None:
    """Create the tables and fill them from all hits; tables of another version are replaced."""
    add_functions(connection)
    for table, columns in TABLES.items():
        connection.execute(f"DROP TABLE IF EXISTS main.{table}")
        key = "TEXT" if columns == ("word",) else "INTEGER"
        listed = ", ".join((f"{columns[0]} {key} PRIMARY KEY", *columns[1:]))
        connection.execute(f"CREATE TABLE main.{table} ({listed})")
    make_indexes(connection)
    refill(connection)


def are_indexed(connection: sqlite3.Connection) -> bool:
    """Return whether the indexes are those of this version; any others are only slower."""
    return all(
        [row[2] for row in connection.execute(f"PRAGMA main.index_info(hit_search_{name})")]
        == columns.split(", ")
        for name, columns in INDEXED.items()
    )


def make_indexes(connection: sqlite3.Connection) -> None:
    """Create the indexes in place of those of another version."""
    for name, columns in INDEXED.items():
        connection.execute(f"DROP INDEX IF EXISTS main.hit_search_{name}")
        connection.execute(f"CREATE INDEX hit_search_{name} ON hit_search ({columns})")


def refill(connection: sqlite3.Connection) -> None:
    """Compute all rows of the tables again."""
    for table in TABLES:
        connection.execute(f"DELETE FROM main.{table}")
    for statement in _copy_statements(""):
        connection.execute(statement)


def differing_tables(connection: sqlite3.Connection) -> list[str]:
    """Return which tables differ from what the hits give; more words than occur do not count."""
    add_functions(connection)
    computed = dict(zip(TABLES, _selects(""), strict=True))
    found = []
    for table, select in computed.items():
        present = f"SELECT * FROM main.{table}"
        pairs = [(select, present)] if table == "hit_vocabulary" else [
            (select, present), (present, select),
        ]  # fmt: skip
        queries = [f"SELECT 1 FROM ({a} EXCEPT {b}) LIMIT 1" for a, b in pairs]
        if any(connection.execute(query).fetchone() for query in queries):
            found.append(table)
    return found


def add_search_triggers(connection: sqlite3.Connection) -> None:
    """Let this connection keep the tables equal to the hits that it writes."""
    add_functions(connection)
    forget = [f"DELETE FROM {table} WHERE hit_id = old.id" for table in ROW_TABLES]
    copy = _copy_statements("WHERE id = new.id")
    for name, when, statements in (
        ("insert", "INSERT", copy),
        ("update", f"UPDATE OF {', '.join(WATCHED)}", forget + copy),
        ("delete", "DELETE", forget),
    ):
        connection.execute(
            f"CREATE TEMP TRIGGER search_rows_{name} AFTER {when} ON main.hit"
            f" BEGIN {'; '.join(statements)}; END"
        )


def _copy_statements(where: str) -> list[str]:
    """Return the statements that insert the rows of some hits into the tables."""
    search, words, vocabulary = _selects(where)
    return [
        f"INSERT INTO hit_search {search}",
        f"INSERT INTO hit_words {words}",
        f"INSERT OR IGNORE INTO hit_vocabulary {vocabulary}",
    ]


def _selects(where: str) -> list[str]:
    """Return the queries that compute the rows of some hits, in the order of `TABLES`."""
    numbers = [f"json_extract(numbers, '$.{name}')" for name in NUMBERS]
    values = ", ".join((*EXPRESSIONS.values(), *numbers))
    checked = "iif(json_valid(descriptors), descriptors, '{}') AS numbers"
    return [
        f"SELECT {values} FROM (SELECT *, {checked} FROM hit {where})",
        f"SELECT id, {WORDS} FROM hit JOIN hit_search s ON s.hit_id = id {where}",
        "SELECT DISTINCT value FROM hit_words, json_each(vocabulary_of(words))"
        f" {where.replace('id =', 'hit_id =')}",
    ]
