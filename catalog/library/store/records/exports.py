"""The audio files of exported kits, by the SHA-256 of their contents."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from catalog.library.store.database import Database, now_utc, path_from_db, path_to_db
from catalog.models import State

# The names of the audio files of an export, with any separator between folder and file.
EXPORT_NAMES = ("*hits?[0-9][0-9][0-9]_*_layer[0-9]*_rr[0-9]*.*", "*phrase.wav", "*phrase.flac")


class LeftOutFile(NamedTuple):
    """A file that a scan left out, as it was when its contents were compared with a manifest."""

    path: str
    size: int
    mtime_ns: int
    sha256: str


class Exports:
    """Which contents are audio files of exported kits, and which files a scan left out."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def record(self, files: Mapping[str, str]) -> bool:
        """Record contents by SHA-256, each with the name of its kit; return whether any is new."""
        known = {row[0] for row in self._database.read("SELECT sha256 FROM exported")}
        new = [(digest, kit, now_utc()) for digest, kit in files.items() if digest not in known]
        if new:
            with self._database.writing() as db:
                db.executemany("INSERT OR IGNORE INTO exported VALUES (?, ?, ?)", new)
        return bool(new)

    def kit_of(self, content_hash: str) -> str | None:
        """Return the name of the exported kit that holds a file with these contents, or None."""
        rows = self._database.read("SELECT kit FROM exported WHERE sha256 = ?", (content_hash,))
        return str(rows[0][0]) if rows else None

    def unrecorded_paths(self) -> list[str]:
        """Return the files of present hits that are named like those of an export, but unknown."""
        names = " OR ".join(["path GLOB ?"] * len(EXPORT_NAMES))
        rows = self._database.read(
            f"SELECT DISTINCT path FROM hit WHERE state = ? AND ({names})"
            " AND content_hash NOT IN (SELECT sha256 FROM exported)",
            (State.HERE, *EXPORT_NAMES),
        )
        return [path_from_db(row[0]) for row in rows]

    def read_left_out(self) -> dict[str, LeftOutFile]:
        """Return the files that scans left out, by path."""
        rows = self._database.read("SELECT path, size, mtime_ns, sha256 FROM left_out")
        files = (LeftOutFile(path_from_db(row[0]), *row[1:]) for row in rows)
        return {file.path: file for file in files}

    def replace_left_out(self, old: Iterable[str], new: Iterable[LeftOutFile]) -> None:
        """Delete the rows of some paths and store new ones."""
        gone = [(path_to_db(path),) for path in old]
        rows = [(path_to_db(file.path), *file[1:]) for file in new]
        if gone or rows:
            with self._database.writing(changes_hits=False) as db:
                db.executemany("DELETE FROM left_out WHERE path = ?", gone)
                db.executemany("INSERT OR REPLACE INTO left_out VALUES (?, ?, ?, ?)", rows)
