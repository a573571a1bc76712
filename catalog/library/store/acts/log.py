"""The acts of the user, and the rows that each changed."""

from __future__ import annotations

import json
import sqlite3
from typing import Any, NamedTuple

from catalog.library.integrity.damaged_words import WordsCheck
from catalog.library.store.acts.recording import (
    NEWEST_NUMBER,
    STEP,
    RunningAct,
    key_json,
    next_number,
)
from catalog.library.store.database import Database, now_utc
from catalog.reports import Act

FILE, HIDDEN = "file", "hidden"  # parts: where the file of a hit is; whether the hit is hidden
MAX_CHANGES = 200_000  # kept, some 60 MB; the oldest acts can then no longer be undone
Values = dict[str, Any]
SELECT = (
    "SELECT id, time_utc, verb, summary, undone,"
    " (SELECT count(*) FROM act_change WHERE act_id = act.id) FROM act"
)
HAS_CHANGES = "EXISTS (SELECT 1 FROM act_change WHERE act_id = act.id)"


class Change(NamedTuple):
    """One row before and after an act; None where there was or is no such row.

    Of a row that was changed, the values of the changed columns are given, else the whole row.
    """

    part: str
    key: tuple[Any, ...]
    before: Values | None
    after: Values | None


class Acts:
    """The acts in the order of time."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._check = WordsCheck(database)

    def read(self, n: int | None = None) -> list[Act]:
        """Return all acts, or the last `n`, the newest last."""
        rows = self._database.read(f"{SELECT} ORDER BY id DESC LIMIT ?", (-1 if n is None else n,))
        return [Act(*row) for row in reversed(rows)]

    def get(self, act_id: int) -> Act | None:
        """Return one act; None if there is none of this number."""
        rows = self._database.read(f"{SELECT} WHERE id = ?", (act_id,))
        return Act(*rows[0]) if rows else None

    def changes(self, act_id: int) -> list[Change]:
        """Return what an act changed, in order; raise `StoreError` if the record is damaged."""
        self._check.require("act_change", "act_id = ?", (act_id,))
        rows = self._database.read(
            "SELECT part, row_key, before, after FROM act_change WHERE act_id = ? ORDER BY id",
            (act_id,),
        )
        return [
            Change(part, tuple(json.loads(key)), _parse(before), _parse(after))
            for part, key, before, after in rows
        ]

    def newest_number(self) -> int:
        """Return the number given last to an act or a step of the history; 0 without one."""
        return int(self._database.read(f"SELECT {NEWEST_NUMBER}")[0][0])

    def last_done(self) -> Act | None:
        """Return the last act that is not undone and can be; None without one."""
        rows = self._database.read(
            f"{SELECT} WHERE undone = 0 AND {HAS_CHANGES} ORDER BY id DESC LIMIT 1"
        )
        return Act(*rows[0]) if rows else None

    def last_undone(self) -> Act | None:
        """Return the act that was undone last, unless another one was done since; else None."""
        rows = self._database.read(
            f"{SELECT} WHERE undone > 0 AND {HAS_CHANGES}"
            " AND undone > (SELECT max(id) FROM act) ORDER BY undone DESC LIMIT 1"
        )
        return Act(*rows[0]) if rows else None

    def set_undone(self, db: sqlite3.Connection, act_id: int, *, undone: bool) -> None:
        """Record that an act was undone just now, or done again."""
        number = next_number(db) if undone else 0
        if undone:
            db.execute("INSERT OR REPLACE INTO setting VALUES (?, ?)", (STEP, str(number)))
        db.execute("UPDATE act SET undone = ? WHERE id = ?", (number, act_id))

    def record_state(
        self,
        part: str,
        hit_id: int,
        states: tuple[str, str],
        *,
        act: int,
        verb: str = "",
        summary: str = "",
    ) -> None:
        """Record that an act moved the file of a hit, or hid it: its state before and after.

        `verb` and `summary` are used if the act ended by a crash before anything was recorded.
        """
        running = self._database.recording.current
        if running is None or running.number != act:
            running = RunningAct(verb, summary, time_utc=now_utc())
        row = (act, running.time_utc, running.verb, running.summary)
        before, after = (json.dumps({"state": state}) for state in states)
        with self._database.writing() as db:
            if not db.execute("SELECT 1 FROM act WHERE id = ?", (act,)).fetchone():
                db.execute("INSERT INTO act VALUES (?, ?, ?, ?, 0)", row)
            db.execute(
                "INSERT INTO act_change (act_id, part, row_key, before, after)"
                " VALUES (?, ?, ?, ?, ?)",
                (act, part, key_json(hit_id), before, after),
            )

    def shift(self, db: sqlite3.Connection, by: int) -> None:
        """Add a number to those of all acts, so that older acts can be put before them."""
        if by:
            db.execute("UPDATE act SET id = -id - ?, undone = iif(undone, undone + ?, 0)", (by, by))
            db.execute("UPDATE act SET id = -id")
            db.execute("UPDATE act_change SET act_id = act_id + ?", (by,))

    def prune(self) -> None:
        """Delete the changes of the oldest acts if there are more than `MAX_CHANGES`."""
        sql = "SELECT coalesce(max(id) - min(id), 0) FROM act_change"
        if self._database.read(sql)[0][0] < MAX_CHANGES:
            return
        with self._database.writing(changes_hits=False) as db:
            db.execute(
                "DELETE FROM act_change WHERE id < (SELECT max(id) FROM act_change) - ?"
                " AND act_id < (SELECT max(act_id) FROM act_change)",
                (MAX_CHANGES // 2,),
            )


def _parse(text: str | None) -> Values | None:
    return None if text is None else dict(json.loads(text))
