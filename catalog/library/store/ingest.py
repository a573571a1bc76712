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

from catalog.features import MEASURE_VERSION
from catalog.features.measures import Measures
from catalog.library.metadata.filename import Provenance
from catalog.library.metadata.roles import RoleEstimate
from catalog.library.store.database import insert, now_utc, path_to_db, update_hit
from catalog.library.store.records.cache import forget_equal_files
from catalog.library.store.records.coordinates import forget_block
from catalog.library.store.records.outlines import write_outline
from catalog.models import RoleSource, State


class FoundFile(NamedTuple):
    """An audio file found in a folder, not yet read."""

    path: str  # absolute
    root: str  # the scanned folder that contains it
    size: int  # bytes; of both files of a pair
    mtime_ns: int
    mate: str = ""  # the right channel's file if two mono files are one stereo recording

    @property
    def mate_path(self) -> Path | None:
        """The right side's file, or None."""
        return Path(self.mate) if self.mate else None


@dataclass(frozen=True, eq=False)
class MeasuredFile:
    """One file with all results of its scan; see `Hit`."""

    file: FoundFile
    content_hash: str
    sr: int
    n_channels: int
    container: str
    subtype: str
    provenance: Provenance
    strokes: tuple[Measures, ...]  # in order; one for a finished hit
    roles: tuple[RoleEstimate, ...] = ()  # one per stroke; empty until they are classified
    role_probabilities: np.ndarray | None = None  # float32 (n_strokes, 20), in order of `ROLES`


@dataclass(frozen=True, eq=False)
class MovedFile:
    """A moved file, recognized by its content, with the provenance and role of its new path."""

    file: FoundFile
    provenance: Provenance
    role: RoleEstimate


class _Row(NamedTuple):
    """What the store holds of one hit at the path that is written."""

    id: int
    content_hash: str
    role_source: str
    session_source: str
    start: int
    stop: int
    region: int
    channels: str
    is_here: bool

    def overlap(self, measures: Measures) -> int:
        return min(self.stop, measures.stop) - max(self.start, measures.start)

    def overlap_score(self, measures: Measures) -> tuple[int, int, bool]:
        """Return the overlap as a sort key; of merged strokes the earliest ranks first."""
        overlap = self.overlap(measures)
        inside = self.is_here and 2 * overlap >= self.stop - self.start
        return (1, -self.start, True) if inside else (0, overlap, self.is_here)


def write_file(db: sqlite3.Connection, file: MeasuredFile) -> str:
    """Store one file; return "added", "changed", or "unchanged" where the store held the same."""
    path = path_to_db(file.file.path)
    db.execute("DELETE FROM skipped WHERE path = ?", (path,))
    found = db.execute(
        "SELECT id, content_hash, role_source, session_source, start, stop, region, channels,"
        " state = 'here'"
        " FROM hit WHERE path = ? AND state != 'aside'"
        " ORDER BY state = 'here' DESC, content_hash = ? DESC, id",
        (path, file.content_hash),
    )
    rows = [_Row(*row) for row in found]
    matches = _match_rows(rows, file.strokes)
    for row in rows:
        if row.is_here and row not in matches:
            region = -abs(row.region) or -row.id
            update_hit(db, row.id, {"state": State.MISSING, "region": region})
    regions = _number_regions(rows, file.strokes, matches)
    for stroke, (match, region) in enumerate(zip(matches, regions, strict=True)):
        values = _stroke_values(file, stroke) | {"region": region, "state": State.HERE}
        hit_id = _write_hit(db, match, values)
        _write_arrays(db, hit_id, file, stroke=stroke)
        _write_arrival(db, hit_id, file.strokes[stroke])
    if file.strokes[0].outline is not None:
        write_outline(db, file.content_hash, file.strokes[0].outline)
    if not any(matches):
        return "added"
    is_same = all(row is not None and row.content_hash == file.content_hash for row in matches)
    n_here = sum(row.is_here for row in rows)
    return "unchanged" if is_same and len(matches) == n_here else "changed"


def _number_regions(
    rows: Sequence[_Row], strokes: Sequence[Measures], matches: Sequence[_Row | None]
) -> list[int]:
    """Return the region of each stroke: that of its row, else a new one; 0 for a finished hit.

    The microphones of a stroke share its number.
    """
    spans = [(stroke.start, stroke.stop) for stroke in strokes]
    known = {
        span: abs(match.region)
        for span, match in reversed(list(zip(spans, matches, strict=True)))
        if match is not None and match.region
    }
    last = max((abs(row.region) for row in rows), default=0)
    is_take = len(set(spans)) > 1
    for span in spans:
        if span not in known:
            last += is_take
            known[span] = last if is_take else 0
    return [known[span] for span in spans]


def _match_rows(rows: Sequence[_Row], strokes: Sequence[Measures]) -> list[_Row | None]:
    """Match each stroke to the row that it overlaps most; a lone hit takes the first row."""
    free = list(rows)
    matches: list[_Row | None] = []
    for measures in strokes:
        channels = channels_text(measures.channels)
        is_known = any(row.channels == channels for row in rows)
        same = [row for row in free if row.channels == channels or not is_known]
        candidates = [row for row in same if row.is_here or row.region != 0]
        best = max(candidates, key=lambda row: row.overlap_score(measures), default=None)
        if best is None or (best.overlap(measures) <= 0 and len(strokes) > 1):
            best = free[0] if free and len(strokes) == 1 else None
        if best is not None:
            free.remove(best)
        matches.append(best)
    return matches


def channels_text(channels: Sequence[int]) -> str:
    """Return channel numbers as the column `channels` holds them, "" for all."""
    return ",".join(map(str, channels))


def _write_hit(db: sqlite3.Connection, row: _Row | None, values: dict[str, Any]) -> int:
    """Insert a hit, or update its row but for what the user set; return its id."""
    if row is None:
        return insert(db, "hit", values | {"scanned_utc": now_utc()})
    update_hit(db, row.id, without_user_values(values, row.role_source, row.session_source))
    return row.id


def without_user_values(
    values: dict[str, Any], role_source: str, session_source: str
) -> dict[str, Any]:
    """Return the columns of a hit without its role and its session where the user set them."""
    sources = {"role": role_source, "session": session_source}
    by_user = tuple(prefix for prefix, source in sources.items() if source == RoleSource.USER)
    return {column: value for column, value in values.items() if not column.startswith(by_user)}


def file_values(file: FoundFile, provenance: Provenance, role: RoleEstimate) -> dict[str, Any]:
    """Return the columns of a hit that follow from where its file is, with their values."""
    return {
        "path": path_to_db(file.path),
        "mate": path_to_db(file.mate) if file.mate else None,
        "size": file.size,
        "mtime_ns": file.mtime_ns,
        "session": provenance.session,
        "session_source": provenance.session_source,
        "drum": provenance.drum,
        "microphone": provenance.microphone,
        "take": provenance.take,
        "note": provenance.note,
        "role": role.role,
        "role_confidence": float(role.confidence),
        "role_source": role.source,
    }


def _stroke_values(file: MeasuredFile, stroke: int) -> dict[str, Any]:
    """Return the columns of a hit that a scan fills, with their values."""
    measures, provenance = file.strokes[stroke], file.provenance
    numbers = {k: float(v) if math.isfinite(v) else None for k, v in measures.descriptors.items()}
    values = file_values(file.file, provenance, file.roles[stroke]) | {
        "version": MEASURE_VERSION,
        "content_hash": file.content_hash,
        "start": int(measures.start),
        "stop": int(measures.stop),
        "sr": file.sr,
        "n_channels": file.n_channels,
        "container": file.container,
        "subtype": file.subtype,
        "origin": json.dumps(dict(provenance.origin)),
        "descriptors": json.dumps(numbers),
        "channels": channels_text(measures.channels),
        "event": measures.event,
        "tempo_bpm": measures.tempo_bpm,
        "n_strokes": measures.n_strokes,
    }
    if measures.channels:
        values |= {"microphone": measures.microphone, "n_channels": len(measures.channels)}
    return values


def _write_arrays(db: sqlite3.Connection, hit_id: int, file: MeasuredFile, *, stroke: int) -> None:
    measures, probabilities = file.strokes[stroke], file.role_probabilities
    assert probabilities is not None
    arrays = (
        np.asarray(measures.embedding, dtype="<f2").tobytes(),
        np.asarray(measures.production, dtype="<f4").tobytes(),
        np.asarray(probabilities[stroke], dtype="<f4").tobytes(),
    )
    db.execute("INSERT OR REPLACE INTO numbers VALUES (?, ?, ?, ?)", (hit_id, *arrays))
    forget_block(db, hit_id)
    forget_equal_files(db)
    faults = json.dumps([list(fault) for fault in measures.faults])
    db.execute("INSERT OR REPLACE INTO fault VALUES (?, ?)", (hit_id, faults))


def _write_arrival(db: sqlite3.Connection, hit_id: int, measures: Measures) -> None:
    """Store the arrival at one of several microphones of a file; strokes are tied afterwards."""
    if not measures.channels:
        db.execute("DELETE FROM microphone WHERE hit_id = ?", (hit_id,))
        return
    arrival = (measures.delay_samples, measures.polarity, None, measures.spread_samples)
    row = (hit_id, hit_id, *arrival)
    db.execute("INSERT OR REPLACE INTO microphone VALUES (?, ?, ?, ?, ?, ?)", row)
