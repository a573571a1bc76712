"""Measured files become rows: one for a finished hit, one for each stroke of a take.

Strokes of a take are matched to the rows in the store by overlap, so that a hit keeps its id and
its annotations when the regions change. The row of a stroke that has no region any more stays,
missing, with the sign of its region number turned negative.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from catalog.features.measure import MEASURE_VERSION, Measures
from catalog.library.store.database import insert, path_to_db, update_hit
from catalog.library.store.records import MeasuredFile
from catalog.models import RoleSource, State


class _Row(NamedTuple):
    """What the store holds of one hit at the path that is written."""

    id: int
    content_hash: str
    role_source: str
    session_source: str
    start: int
    stop: int
    region: int
    is_here: bool

    def overlap(self, measures: Measures) -> int:
        return min(self.stop, measures.stop) - max(self.start, measures.start)

    def overlap_score(self, measures: Measures) -> tuple[int, int, bool]:
        """Return the overlap as a sort key; of merged strokes the earliest ranks first."""
        overlap = self.overlap(measures)
        inside = self.is_here and 2 * overlap >= self.stop - self.start
        return (1, -self.start, True) if inside else (0, overlap, self.is_here)


def write_file(db: sqlite3.Connection, file: MeasuredFile) -> str:
    """Store one measured file, within a transaction.

    Parameters
    ----------
    db : sqlite3.Connection
    file : MeasuredFile

    Returns
    -------
    str
        "added", "changed", or "unchanged" where the store held the same
    """
    path = path_to_db(file.file.path)
    db.execute("DELETE FROM skipped WHERE path = ?", (path,))
    found = db.execute(
        "SELECT id, content_hash, role_source, session_source, start, stop, region, state = 'here'"
        " FROM hit WHERE path = ? AND state != 'aside'"
        " ORDER BY state = 'here' DESC, content_hash = ? DESC, id",
        (path, file.content_hash),
    )
    rows = [_Row(*row) for row in found]
    matches = _match_rows(rows, file.strokes)
    _withdraw(db, [row for row in rows if row.is_here and row not in matches])
    last_region = max((abs(row.region) for row in rows), default=0)
    for stroke, row in enumerate(matches):
        region = abs(row.region) if row is not None else 0
        if region == 0 and len(matches) > 1:
            last_region += 1
            region = last_region
        values = _stroke_values(file, stroke) | {"region": region, "state": State.HERE}
        _write_arrays(db, _write_hit(db, row, values), file, stroke=stroke)
    if not any(matches):
        return "added"
    is_same = all(row is not None and row.content_hash == file.content_hash for row in matches)
    n_here = sum(row.is_here for row in rows)
    return "unchanged" if is_same and len(matches) == n_here else "changed"


def _match_rows(rows: Sequence[_Row], strokes: Sequence[Measures]) -> list[_Row | None]:
    """Match each stroke to the row that it overlaps most; a lone hit takes the first row."""
    free = list(rows)
    matches: list[_Row | None] = []
    for measures in strokes:
        candidates = [row for row in free if row.is_here or row.region != 0]
        best = max(candidates, key=lambda row: row.overlap_score(measures), default=None)
        if best is None or (best.overlap(measures) <= 0 and len(strokes) > 1):
            best = free[0] if free and len(strokes) == 1 else None
        if best is not None:
            free.remove(best)
        matches.append(best)
    return matches


def _withdraw(db: sqlite3.Connection, rows: Sequence[_Row]) -> None:
    for row in rows:
        region = -abs(row.region) or -row.id
        update_hit(db, row.id, {"state": State.MISSING, "region": region})


def _write_hit(db: sqlite3.Connection, row: _Row | None, values: dict[str, Any]) -> int:
    """Insert a hit, or update its row but for what the user set; return its id."""
    if row is None:
        return insert(db, "hit", values)
    sources = {"role": row.role_source, "session": row.session_source}
    by_user = tuple(prefix for prefix, source in sources.items() if source == RoleSource.USER)
    kept = {column: value for column, value in values.items() if not column.startswith(by_user)}
    update_hit(db, row.id, kept)
    return row.id


def _stroke_values(file: MeasuredFile, stroke: int) -> dict[str, Any]:
    """Return the columns of a hit that a scan fills, with their values."""
    measures, role, provenance = file.strokes[stroke], file.roles[stroke], file.provenance
    numbers = {k: float(v) if math.isfinite(v) else None for k, v in measures.descriptors.items()}
    return {
        "path": path_to_db(file.file.path),
        "mate": path_to_db(file.file.mate) if file.file.mate else None,
        "size": file.file.size,
        "mtime_ns": file.file.mtime_ns,
        "version": MEASURE_VERSION,
        "content_hash": file.content_hash,
        "start": int(measures.start),
        "stop": int(measures.stop),
        "sr": file.sr,
        "n_channels": file.n_channels,
        "container": file.container,
        "subtype": file.subtype,
        "session": provenance.session,
        "session_source": provenance.session_source,
        "drum": provenance.drum,
        "microphone": provenance.microphone,
        "take": provenance.take,
        "note": provenance.note,
        "origin": json.dumps(dict(provenance.origin)),
        "role": role.role,
        "role_confidence": float(role.confidence),
        "role_source": role.source,
        "descriptors": json.dumps(numbers),
    }


def _write_arrays(db: sqlite3.Connection, hit_id: int, file: MeasuredFile, *, stroke: int) -> None:
    measures, probabilities = file.strokes[stroke], file.role_probabilities
    assert probabilities is not None
    arrays = (
        np.asarray(measures.embedding, dtype="<f2").tobytes(),
        np.asarray(measures.production, dtype="<f4").tobytes(),
        np.asarray(probabilities[stroke], dtype="<f4").tobytes(),
    )
    db.execute("INSERT OR REPLACE INTO numbers VALUES (?, ?, ?, ?)", (hit_id, *arrays))
    faults = json.dumps([list(fault) for fault in measures.faults])
    db.execute("INSERT OR REPLACE INTO fault VALUES (?, ?)", (hit_id, faults))
