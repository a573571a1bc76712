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
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from catalog.features.measure import MEASURE_VERSION, Measures
from catalog.library.metadata.filename import Provenance
from catalog.library.store.database import insert, path_to_db, update_hit
from catalog.models import Role, RoleSource, State


@dataclass(frozen=True, eq=False)
class MeasuredFile:
    """One file with everything that a scan found out about it.

    Attributes
    ----------
    size, mtime_ns : int, bytes and nanoseconds, as the file system gave them before reading
    role, role_confidence, role_source : see `Hit`
    role_probabilities : np.ndarray, float32, shape (20,), from sound alone, in the order of `ROLES`
    others : tuple of MeasuredFile
        the further strokes of a take, in order; `measures.start` and `stop` are their regions
    mate : Path or None, see `Hit`
    """

    path: Path
    size: int
    mtime_ns: int
    content_hash: str
    sr: int
    n_channels: int
    container: str
    subtype: str
    measures: Measures
    provenance: Provenance
    role: Role
    role_confidence: float
    role_source: RoleSource
    role_probabilities: np.ndarray
    others: tuple[MeasuredFile, ...] = ()
    mate: Path | None = None


@dataclass(frozen=True, eq=False)
class MovedFile:
    """A file that was found again elsewhere by its content, and what its new name tells."""

    path: Path
    size: int
    mtime_ns: int
    provenance: Provenance
    role: Role
    role_confidence: float
    role_source: RoleSource
    mate: Path | None = None


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
    path = path_to_db(file.path)
    db.execute("DELETE FROM skipped WHERE path = ?", (path,))
    found = db.execute(
        "SELECT id, content_hash, role_source, session_source, start, stop, region, state = 'here'"
        " FROM hit WHERE path = ? AND state != 'aside'"
        " ORDER BY state = 'here' DESC, content_hash = ? DESC, id",
        (path, file.content_hash),
    )
    rows = [_Row(*row) for row in found]
    strokes = (file, *file.others)
    pairs = _match(rows, strokes)
    _withdraw(db, [row for row in rows if row.is_here and row not in pairs])
    number = max((abs(row.region) for row in rows), default=0)
    for stroke, row in zip(strokes, pairs, strict=True):
        region = abs(row.region) if row is not None else 0
        if region == 0 and len(strokes) > 1:
            number += 1
            region = number
        _write_stroke(db, stroke, row, region)
    if not any(pairs):
        return "added"
    same = all(row is not None and row.content_hash == file.content_hash for row in pairs)
    return "unchanged" if same and len(strokes) == sum(r.is_here for r in rows) else "changed"


def _match(rows: Sequence[_Row], strokes: Sequence[MeasuredFile]) -> list[_Row | None]:
    """Match each stroke to the row that it overlaps most; a lone hit takes the first row."""
    free = list(rows)
    pairs: list[_Row | None] = []
    for stroke in strokes:
        live = [row for row in free if row.is_here or row.region != 0]
        best = max(live, key=lambda r: r.overlap_score(stroke.measures), default=None)
        if best is None or (best.overlap(stroke.measures) <= 0 and len(strokes) > 1):
            best = free[0] if free and len(strokes) == 1 else None
        if best is not None:
            free.remove(best)
        pairs.append(best)
    return pairs


def _withdraw(db: sqlite3.Connection, rows: Sequence[_Row]) -> None:
    for row in rows:
        region = -abs(row.region) or -row.id
        db.execute("UPDATE hit SET state = 'missing', region = ? WHERE id = ?", (region, row.id))


def _write_stroke(
    db: sqlite3.Connection, file: MeasuredFile, row: _Row | None, region: int
) -> None:
    values = {**_measured_values(file), "region": region, "state": State.HERE}
    if row is None:
        _write_arrays(db, insert(db, "hit", values), file)
        return
    sources = {"role": row.role_source, "session": row.session_source}
    by_user = tuple(prefix for prefix, source in sources.items() if source == RoleSource.USER)
    values = {column: v for column, v in values.items() if not column.startswith(by_user)}
    update_hit(db, row.id, values)
    _write_arrays(db, row.id, file)


def _measured_values(file: MeasuredFile) -> dict[str, Any]:
    """Return the columns of a hit that a scan fills, with their values."""
    m = file.measures
    numbers = {k: float(v) if math.isfinite(v) else None for k, v in m.descriptors.items()}
    plain = ("size", "mtime_ns", "content_hash", "sr", "n_channels", "container", "subtype")
    sources = ("session", "drum", "microphone", "take", "note")
    return {
        "path": path_to_db(file.path),
        "mate": None if file.mate is None else path_to_db(file.mate),
        "version": MEASURE_VERSION,
        "start": int(m.start),
        "stop": int(m.stop),
        "descriptors": json.dumps(numbers),
        **{name: getattr(file, name) for name in plain},
        **{name: getattr(file.provenance, name) for name in sources},
        "session_source": file.provenance.session_source,
        "origin": json.dumps(dict(file.provenance.origin)),
        "role": file.role,
        "role_confidence": float(file.role_confidence),
        "role_source": file.role_source,
    }


def _write_arrays(db: sqlite3.Connection, hit_id: int, file: MeasuredFile) -> None:
    arrays = (
        np.asarray(file.measures.embedding, dtype="<f2").tobytes(),
        np.asarray(file.measures.production, dtype="<f4").tobytes(),
        np.asarray(file.role_probabilities, dtype="<f4").tobytes(),
    )
    db.execute("INSERT OR REPLACE INTO numbers VALUES (?, ?, ?, ?)", (hit_id, *arrays))
    faults = json.dumps([list(fault) for fault in file.measures.faults])
    db.execute("INSERT OR REPLACE INTO fault VALUES (?, ?)", (hit_id, faults))
