"""A condition in SQL, evaluated by SQLite itself on a connection that can only read the columns.

An authorizer [1]_ refuses everything but the columns of one view and functions that depend on
nothing but their arguments; a progress handler ends an expression that takes too long.

References
----------
.. [1] https://www.sqlite.org/c3ref/set_authorizer.html
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

from catalog.errors import ParameterError
from catalog.search.conditions.columns import COLUMNS

VIEW = "hits"
STORED_COLUMNS = ("path", "take", "note", "remark", "content_hash", "container", "subtype")
# None that reads a clock, a file or chance, and none that makes long texts from short ones.
FUNCTIONS = frozenset((
    "abs", "avg", "coalesce", "count", "glob", "ifnull", "iif", "instr", "length", "like", "lower",
    "ltrim", "max", "min", "nullif", "replace", "round", "rtrim", "sign", "substr", "substring",
    "sum", "total", "trim", "typeof", "unicode", "upper",
))  # fmt: skip
MAX_SECONDS = 5.0
STEPS = 10_000  # instructions between two looks at the clock
MAX_LENGTH = 1_000_000  # bytes of one value
MAX_TEXT = 4000  # characters of an expression


def select_where(path: Path, expression: str, *, immutable: bool = False) -> list[int]:
    """Return the ids of the hits, in any state, for which an SQL expression is true.

    Parameters
    ----------
    path : Path, of the SQLite file
    expression : str, over the columns of `where_columns`
    immutable : bool, the file is on a read-only disk

    Returns
    -------
    list of int

    Raises
    ------
    ParameterError
        if it is no boolean expression over these columns, or takes more than `MAX_SECONDS`
    """
    if len(expression) > MAX_TEXT:
        raise ParameterError(f"where: an expression has at most {MAX_TEXT:,} characters")
    options = "mode=ro&immutable=1" if immutable else "mode=ro"
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?{options}", uri=True)) as db:
        db.execute(_make_view())
        db.execute("PRAGMA query_only = ON")
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MAX_LENGTH)
        db.setlimit(sqlite3.SQLITE_LIMIT_LIKE_PATTERN_LENGTH, 200)
        db.set_authorizer(_authorize)
        db.set_progress_handler(_make_watch(), STEPS)
        sql = f'SELECT "id" FROM {VIEW} WHERE (\n{expression}\n)'
        try:
            return [row[0] for row in db.execute(sql)]
        except (sqlite3.Error, sqlite3.Warning, ValueError, UnicodeError) as err:
            columns = ", ".join(where_columns())
            raise ParameterError(f"where: {_reason(err)}; columns are {columns}") from err


def where_columns() -> tuple[str, ...]:
    """Return the names of the columns of an expression."""
    return (*COLUMNS, *STORED_COLUMNS)


def _make_view() -> str:
    own = [f's.{column.sql} AS "{word}"' for word, column in COLUMNS.items()]
    stored = [f'h.{name} AS "{name}"' for name in STORED_COLUMNS]
    # The join is not made where no column of `hit` is used.
    return (
        f"CREATE TEMP VIEW {VIEW} AS SELECT {', '.join(own + stored)}"
        " FROM main.hit_search s LEFT JOIN main.hit h ON h.id = s.hit_id"
    )


def _authorize(
    action: int, first: str | None, second: str | None, database: str | None, source: str | None
) -> int:
    """Allow what an expression over the view needs, see `sqlite3.Connection.set_authorizer`."""
    if action == sqlite3.SQLITE_SELECT:
        return sqlite3.SQLITE_OK
    if action == sqlite3.SQLITE_READ and VIEW in (first, source):
        return sqlite3.SQLITE_OK
    if action == sqlite3.SQLITE_READ and not second and first in ("hit", "hit_search"):
        return sqlite3.SQLITE_OK  # no column is read: the join with a table that is not used
    if action == sqlite3.SQLITE_FUNCTION and (second or "").casefold() in FUNCTIONS:
        return sqlite3.SQLITE_OK
    return sqlite3.SQLITE_DENY


def _make_watch() -> Callable[[], int]:
    end = time.monotonic() + MAX_SECONDS
    return lambda: int(time.monotonic() > end)


def _reason(err: Exception) -> str:
    text = str(err)
    if text == "interrupted":
        return f"the expression takes more than {MAX_SECONDS:.0f} s"
    if "prohibited" in text or "not authorized" in text:
        return f"only the columns of a hit and simple functions may be used ({text})"
    return f"SQLite cannot evaluate it ({text})"
