"""Record what an act of the user changes: each changed row before and after.

Temporary triggers of each connection do it, for all tables in `TABLES`, while an act is under way
in the thread that writes. What is written without an act, as by a scan, is not recorded.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

HIT = "hit"  # the part of an act that changes columns of a hit, not a whole row
HIT_COLUMNS = (
    "mark", "tags", "remark", "names", "role", "role_confidence", "role_source", "session",
    "session_source",
)  # fmt: skip
STEP = "step"  # setting: the last number that an act or a step of the history was given
NEWEST_NUMBER = (
    "max(coalesce((SELECT max(id) FROM act), 0),"
    f" coalesce((SELECT CAST(value AS INTEGER) FROM setting WHERE key = '{STEP}'), 0))"
)
# Tables that an act changes by whole rows, and their keys.
TABLES = {
    "verdict": ("first", "second"),
    "fault_dismissed": ("hit_id", "content_hash", "kind"),
    "file_said": ("content_hash",),
    "kit": ("id",),
    "setting": ("key",),
}
SETTINGS = (  # those that hold decisions of the user
    "kept", "chosen_microphones", "sides_said", "roles_forgotten", "choices_forgotten",
    "drums_refused",
)  # fmt: skip
encode = json.JSONEncoder(ensure_ascii=False).encode  # made once: `json.dumps` makes one a call
ADD_ACT = (
    "INSERT INTO act SELECT act_number(), act_time(), act_verb(), act_summary(), 0"
    " WHERE NOT EXISTS (SELECT 1 FROM act WHERE id = act_number())"
)
ADD_CHANGE = (
    "INSERT INTO act_change (act_id, part, row_key, before, after)"
    " VALUES (act_number(), '{part}', key_json({key}), {before}, {after})"
)


@dataclass
class RunningAct:
    """An act under way; `number` is 0 until its first transaction begins."""

    verb: str
    summary: str
    number: int = 0
    time_utc: str = ""
    is_used: bool = False  # something was recorded, or the number was given to the history


class Recording:
    """Which act is under way in each thread of one connection."""

    def __init__(self) -> None:
        self._local = threading.local()

    @property
    def current(self) -> RunningAct | None:
        """The act under way in this thread; None without one, or while recording is paused."""
        act: RunningAct | None = getattr(self._local, "act", None)
        return None if getattr(self._local, "is_paused", False) else act

    @property
    def is_on(self) -> bool:
        """Whether this thread's acts are recorded, see `paused`."""
        return not getattr(self._local, "is_paused", False)

    @contextmanager
    def act(self, verb: str, summary: str) -> Iterator[None]:
        """Record all that this thread writes in the block as one act; a nested one joins it."""
        if getattr(self._local, "act", None) is not None:
            yield
            return
        now = datetime.now(UTC).isoformat(timespec="seconds")
        self._local.act = RunningAct(verb, summary, time_utc=now)
        try:
            yield
        finally:
            self._local.act = None

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Record nothing that this thread writes in the block, whether an act is under way or not.

        An act that begins in the block is not recorded either.
        """
        before = getattr(self._local, "is_paused", False)
        self._local.is_paused = True
        try:
            yield
        finally:
            self._local.is_paused = before

    @contextmanager
    def transaction(self, connection: sqlite3.Connection) -> Iterator[None]:
        """Give the act under way its number in the block, which runs in a transaction.

        The number is free again if the transaction fails or recorded nothing.
        """
        act = self.current
        is_new = act is not None and act.number == 0
        if act is not None and is_new:
            act.number = next_number(connection)
        try:
            yield
        except BaseException:
            if act is not None and is_new:
                act.number, act.is_used = 0, False
            raise
        if act is not None and is_new and not act.is_used:
            act.number = 0

    def take_number(self, connection: sqlite3.Connection) -> int:
        """Return the number of the act under way, without one a new number."""
        act = self.current
        if act is None:
            return next_number(connection)
        act.number = act.number or next_number(connection)
        act.is_used = True
        return act.number

    def _number(self) -> int:
        act = self.current
        if act is None:
            return 0
        act.is_used = True
        return act.number

    def add_triggers(self, connection: sqlite3.Connection) -> None:
        """Let a connection record the acts under way."""
        create = connection.create_function
        create("act_under_way", 0, lambda: self.current is not None)
        create("act_number", 0, self._number)
        create("act_time", 0, lambda: self.current.time_utc if self.current else "")
        create("act_verb", 0, lambda: self.current.verb if self.current else "")
        create("act_summary", 0, lambda: self.current.summary if self.current else "")
        create("key_json", -1, key_json, deterministic=True)
        create("row_json", -1, row_json, deterministic=True)
        create("old_json", -1, old_json, deterministic=True)
        create("new_json", -1, new_json, deterministic=True)
        connection.execute(_hit_trigger())
        for table, key in TABLES.items():
            info = connection.execute(f"PRAGMA main.table_info({table})").fetchall()
            for sql in _table_triggers(table, key, [row[1] for row in info]):
                connection.execute(sql)


def next_number(connection: sqlite3.Connection) -> int:
    """Return a number that no act and no step of the history has; it grows."""
    return int(connection.execute(f"SELECT {NEWEST_NUMBER}").fetchone()[0]) + 1


def key_json(*values: Any) -> str:
    """Return the values of a key as JSON text."""
    return encode(values)


def row_json(*pairs: Any) -> str:
    """Return a row, given as names and values in turn, as JSON text."""
    return encode(dict(zip(pairs[::2], pairs[1::2], strict=True)))


def old_json(*triples: Any) -> str:
    """Return the former values of those columns that changed; name, former and new value each."""
    return _changed(triples, 1)


def new_json(*triples: Any) -> str:
    """Return the new values of those columns that changed; name, former and new value each."""
    return _changed(triples, 2)


def _changed(triples: tuple[Any, ...], which: int) -> str:
    columns = zip(triples[::3], triples[1::3], triples[2::3], strict=True)
    return encode({c[0]: c[which] for c in columns if c[1] != c[2]})


def _hit_trigger() -> str:
    differs = " OR ".join(f"old.{name} IS NOT new.{name}" for name in HIT_COLUMNS)
    triples = ", ".join(f"'{name}', old.{name}, new.{name}" for name in HIT_COLUMNS)
    change = ADD_CHANGE.format(
        part=HIT, key="new.id", before=f"old_json({triples})", after=f"new_json({triples})"
    )
    return (
        f"CREATE TEMP TRIGGER act_hit AFTER UPDATE OF {', '.join(HIT_COLUMNS)} ON main.hit"
        f" WHEN act_under_way() AND ({differs}) BEGIN {ADD_ACT}; {change}; END"
    )


def _table_triggers(table: str, key: tuple[str, ...], columns: list[str]) -> Iterator[str]:
    def row(prefix: str) -> str:
        pairs = ", ".join(f"'{name}', {prefix}.{name}" for name in columns)
        return f"row_json({pairs})"

    triples = ", ".join(f"'{name}', old.{name}, new.{name}" for name in columns)

    wanted = ", ".join(f"'{name}'" for name in SETTINGS)
    images = {"INSERT": ("NULL", row("new")), "DELETE": (row("old"), "NULL")}
    images["UPDATE"] = (f"old_json({triples})", f"new_json({triples})")
    for when, (before, after) in images.items():
        side = "old" if when == "DELETE" else "new"
        only = f" AND {side}.key IN ({wanted})" if table == "setting" else ""
        names = ", ".join(f"{side}.{name}" for name in key)
        change = ADD_CHANGE.format(part=table, key=names, before=before, after=after)
        yield (
            f"CREATE TEMP TRIGGER act_{table}_{when.lower()} AFTER {when} ON main.{table}"
            f" WHEN act_under_way(){only} BEGIN {ADD_ACT}; {change}; END"
        )
