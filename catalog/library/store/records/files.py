"""The files of a store: what a scan reads and writes about them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, KeysView, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from catalog.features import MEASURE_VERSION
from catalog.library.store.database import Database, path_from_db, path_to_db, update_hit
from catalog.library.store.ingest import (
    MeasuredFile,
    MovedFile,
    file_values,
    without_user_values,
    write_file,
)
from catalog.models import State
from catalog.reports import Skipped

NO_TIME_NS = -1  # in place of a time: no file has it, so the next scan reads the file again
SAME_TAKE = (  # a hit, and the other strokes of its take
    "SELECT id, role_source, session_source, channels FROM hit WHERE id = ? OR"
    " ((region != 0 OR channels != '') AND state != 'aside' AND path ="
    " (SELECT path FROM hit WHERE id = ? AND (region != 0 OR channels != '')))"
)


class FileRow(NamedTuple):
    """What the store holds about one file: that of a hit, or one that was skipped for `reason`."""

    size: int
    mtime_ns: int
    version: int
    hit_id: int | None
    state: str
    reason: str
    mate: str | None
    path: str


class KnownFiles(Mapping[str, FileRow]):
    """Rows by path; a `FileRow` is made when it is looked at, since most are only compared.

    Parameters
    ----------
    rows : dict of path to tuple, with the fields of `FileRow`
    skipped : frozenset of str, the paths of files that were skipped
    """

    def __init__(self, rows: dict[str, tuple[Any, ...]], skipped: frozenset[str]) -> None:
        self.rows, self.skipped = rows, skipped

    def __getitem__(self, path: str) -> FileRow:
        return FileRow._make(self.rows[path])

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[str]:
        return iter(self.rows)

    def keys(self) -> KeysView[str]:
        """Return all paths; a set operation on them takes a tenth of the inherited one's time."""
        return self.rows.keys()

    def pairs(self) -> list[tuple[str, str]]:
        """Return the left and right path of each file that is stored as a pair."""
        at = FileRow._fields.index("mate")
        return [(path, row[at]) for path, row in self.rows.items() if row[at]]


class LostFile(NamedTuple):
    """A hit whose file is not where it was."""

    hit_id: int
    path: str
    size: int
    content_hash: str


class Files:
    """Files by path."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read_known(self) -> KnownFiles:
        """Return every file that need not be read again while size and time stay, by its path.

        A file set aside is not among them. A path where a hit went missing and a file that
        could not be used took its place is returned as the latter.
        """
        rows = self._database.read(  # answered by the index `hit_path` alone, in its order
            "SELECT size, mtime_ns, version, id, state, '', mate, path FROM hit"
            " WHERE region >= 0 AND state != 'aside' ORDER BY path, state"
        )
        rows.reverse()  # of one path "missing" comes first, and "here" takes its place
        known = {row[7]: row for row in rows}
        rows = self._database.read(
            "SELECT size, mtime_ns, version, NULL, 'skipped', reason, NULL, path FROM skipped"
        )
        skipped = {path: (*row[:7], path) for row in rows for path in [path_from_db(row[7])]}
        return KnownFiles(known | skipped if skipped else known, frozenset(skipped))

    def read_set_aside(self) -> frozenset[str]:
        """Return the original paths of all files that are set aside."""
        rows = self._database.read("SELECT path FROM hit WHERE state = 'aside'")
        return frozenset(path_from_db(path) for (path,) in rows)

    def write_measured(self, batch: Sequence[MeasuredFile]) -> list[str]:
        """Store measured files in one transaction; return what `write_file` does for each."""
        if not batch:
            return []
        with self._database.writing() as db:
            return [write_file(db, file) for file in batch]

    def write_skipped(self, files: Iterable[tuple[str, int, int, str]]) -> None:
        """Store files that cannot be used, each as (path, size, mtime_ns, reason).

        A hit that was at such a path is missing from now on.
        """
        rows = list(files)
        with self._database.writing(changes_hits=bool(rows)) as db:
            for path, size, mtime_ns, reason in rows:
                row = (path_to_db(path), size, mtime_ns, MEASURE_VERSION, reason)
                db.execute("INSERT OR REPLACE INTO skipped VALUES (?, ?, ?, ?, ?)", row)
                db.execute(
                    "UPDATE hit SET state = 'missing' WHERE path = ? AND state = 'here'", row[:1]
                )

    def delete_skipped(self, paths: Iterable[str]) -> None:
        """Delete files that no longer exist from the list of skipped files."""
        rows = [(path_to_db(path),) for path in paths]
        with self._database.writing(changes_hits=False) as db:
            db.executemany("DELETE FROM skipped WHERE path = ?", rows)

    def read_skipped(self) -> list[Skipped]:
        """Return all files that could not be used, by path."""
        rows = self._database.read("SELECT path, reason FROM skipped")
        return sorted(Skipped(Path(path_from_db(path)), reason) for path, reason in rows)

    def change_state(self, hits: Iterable[tuple[int, str]], state: State, *, before: State) -> None:
        """Change the state of hits, each as (id, path), unless another scan found it elsewhere."""
        rows = [(state, hit_id, path_to_db(path), before) for hit_id, path in hits]
        sql = (
            "UPDATE OR IGNORE hit SET state = ?"
            " WHERE (id = ? OR region > 0 OR channels != '') AND path = ?"
            " AND state = ? AND region >= 0"
        )
        if rows:
            with self._database.writing() as db:
                db.executemany(sql, rows)

    def mark_same(self, hit_id: int, *, path: str, size: int, mtime_ns: int) -> None:
        """Record that the file of a hit was touched but holds what it held."""
        with self._database.writing() as db:
            db.execute(
                "UPDATE OR IGNORE hit SET size = ?, mtime_ns = ?, state = 'here'"
                " WHERE id = ? OR (path = ? AND (region > 0 OR channels != '')"
                " AND state != 'aside')",
                (size, mtime_ns, hit_id, path_to_db(path)),
            )
            db.execute("DELETE FROM skipped WHERE path = ?", (path_to_db(path),))

    def find_lost(self, is_gone: Callable[[str], bool] = lambda _: False) -> list[LostFile]:
        """Return the hits whose files are not where they were; each path is checked on the disk.

        `is_gone` returns True for a path whose folder was listed without it: where names differ in
        case only, the disk finds a file under its old name too.
        """
        rows = self._database.read(
            "SELECT id, path, size, content_hash, aside FROM hit WHERE region = 0 OR id IN"
            " (SELECT min(id) FROM hit WHERE region > 0 GROUP BY path, state) ORDER BY id"
        )
        lost = []
        for hit_id, db_path, size, content_hash, aside in rows:
            path = path_from_db(db_path)
            if aside is None:
                is_lost = is_gone(path) or _is_missing(path)
            else:
                is_lost = _is_missing(self._database.aside_folder / aside)
            if is_lost:
                lost.append(LostFile(hit_id, path, size, content_hash))
        return lost

    def mark_moved(self, hit_id: int, file: MovedFile) -> bool:
        """Give a hit the new path of its file; return False if another hit is there already."""
        path = path_to_db(file.file.path)
        taken = "SELECT 1 FROM hit WHERE path = ? AND state = 'here'"
        with self._database.writing() as db:
            if db.execute(taken, (path,)).fetchone():
                return False
            values = file_values(file.file, file.provenance, file.role)
            strokes = db.execute(SAME_TAKE, (hit_id, hit_id)).fetchall()
            for stroke_id, role_source, session_source, channels in strokes:
                kept = without_user_values(values, role_source, session_source)
                if channels:  # the microphone is named after its track, not after the file
                    del kept["microphone"]
                update_hit(db, stroke_id, kept)
                db.execute(  # the mix is the user's choice for the content, not for the path
                    "UPDATE hit SET state = iif(region < 0, state, 'here'), aside = NULL,"
                    " origin = json_patch(?, json_object('mix', json_extract(origin, '$.mix')))"
                    " WHERE id = ?",
                    (json.dumps(dict(file.provenance.origin)), stroke_id),
                )
            db.execute("DELETE FROM skipped WHERE path = ?", (path,))
        return True


def _is_missing(path: str | Path) -> bool:
    """Return whether the file certainly does not exist; an inaccessible file may exist."""
    try:
        os.lstat(path)
    except OSError as err:
        return isinstance(err, FileNotFoundError | NotADirectoryError)
    return False
