"""The history: what was done to hits, in steps that can be undone."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from catalog.library.store.acts.recording import STEP
from catalog.library.store.database import Database, insert, now_utc, path_from_db, path_to_db
from catalog.models import Action, Hit
from catalog.reports import HistoryEvent

COLUMNS = ("id", "time_utc", "action", "hit_id", "source", "target", "reason", "step")


class History:
    """Events in the order of time."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def new_step(self) -> int:
        """Return the number of the act under way; without one a new number, which grows."""
        with self._database.writing(changes_hits=False) as db:
            step = self._database.recording.take_number(db)
            if step > int(self._database.read_setting(STEP, 0)):
                self._database.save_setting(STEP, step)
        return step

    def add(
        self, action: Action, hit_id: int, *, source: Path, target: Path, reason: str, step: int = 0
    ) -> HistoryEvent:
        """Record one event; `step=0` starts a new step."""
        step = step or self.new_step()
        event = HistoryEvent(0, now_utc(), action, hit_id, source, target, reason, step)
        values = asdict(event) | {"source": path_to_db(source), "target": path_to_db(target)}
        del values["id"]
        with self._database.writing(changes_hits=False) as db:
            return replace(event, id=insert(db, "event", values))

    def add_edit(self, action: Action, hit: Hit, reason: str, *, step: int = 0) -> HistoryEvent:
        """Record an event in which the file of the hit stays where it is."""
        return self.add(action, hit.id, source=hit.path, target=hit.path, reason=reason, step=step)

    def read(self) -> list[HistoryEvent]:
        """Return all events, newest last."""
        sql = f"SELECT {', '.join(COLUMNS)} FROM event ORDER BY id"
        return [_to_event(dict(zip(COLUMNS, row, strict=True))) for row in self._database.read(sql)]


def _to_event(values: dict[str, Any]) -> HistoryEvent:
    """Return the event of a row, given by column name."""
    values["action"] = Action(values["action"])
    values["source"] = Path(path_from_db(values["source"]))
    values["target"] = Path(path_from_db(values["target"]))
    values["step"] = values["step"] or values["id"]  # events of older stores have no step
    return HistoryEvent(**values)
