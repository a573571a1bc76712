"""The microphones of strokes that have several, read from their rows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from catalog.library.store.database import Database, path_from_db
from catalog.models import Microphone

Tied = tuple[Microphone, ...]
ALONE: tuple[int, Tied] = (0, ())  # of a hit that is the only microphone of its stroke
MICROPHONES = (
    "SELECT m.stroke, m.hit_id, coalesce(json_extract(h.names, '$.microphone'), h.microphone),"
    " h.path, h.channels, m.delay_samples, m.polarity,"
    " m.level_db, m.spread_samples FROM microphone m JOIN hit h ON h.id = m.hit_id"
    " JOIN hit r ON r.id = m.stroke"
    " WHERE +r.state = +h.state AND +r.hidden = +h.hidden"  # not by the index of states
)
OF_HIT = " AND m.stroke = (SELECT stroke FROM microphone WHERE hit_id = ?)"
OF_HITS = (
    " AND m.stroke IN (SELECT stroke FROM microphone"
    " WHERE hit_id IN (SELECT value FROM json_each(?)))"
)


class Microphones:
    """The microphones of all strokes; those whose rows have not changed are made once."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._known: dict[int, tuple[int, Tied]] = {}  # by stroke, with the hash of the rows

    def read(self, hit_ids: Sequence[int] | None = None) -> dict[int, tuple[int, Tied]]:
        """Return the hash of the rows and the microphones of strokes, by the id of each hit.

        Only strokes of some hits are read, if these are given; all take 0.2 s for 100,000 rows.
        """
        sql, values = MICROPHONES, list[Any]()
        if hit_ids is not None and len(hit_ids) == 1:
            sql, values = MICROPHONES + OF_HIT, [int(hit_ids[0])]
        elif hit_ids is not None:
            sql, values = MICROPHONES + OF_HITS, [json.dumps(list(map(int, hit_ids)))]
        strokes: dict[int, list[Any]] = {}
        for row in self._database.read(sql, values):
            strokes.setdefault(row[0], []).append(row)
        found: dict[int, tuple[int, Tied]] = {}
        for stroke, rows in strokes.items():
            key, known = hash(tuple(rows)), self._known.get(stroke)
            if known is None or known[0] != key:
                known = self._known[stroke] = key, _to_microphones(stroke, rows)
            if known[1]:
                found.update(dict.fromkeys((row[1] for row in rows), known))
        return found


def _to_microphones(stroke: int, rows: Sequence[Any]) -> Tied:
    """Return the microphones of one stroke, the one that stands for it first; () for one alone."""
    made = (
        Microphone(hit_id, name, Path(path_from_db(path)), parse_channels(channels), *arrival)
        for _, hit_id, name, path, channels, *arrival in rows
    )
    ordered = tuple(sorted(made, key=lambda mic: (mic.hit_id != stroke, mic.hit_id)))
    return ordered if len(ordered) > 1 and ordered[0].hit_id == stroke else ()


def parse_channels(text: str) -> tuple[int, ...]:
    """Return the channel numbers of a column `channels`; "" means all and gives ()."""
    return tuple(map(int, text.split(","))) if text else ()
