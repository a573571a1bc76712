"""The store of hits: what is known about each, in one file that several programs may open."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple, Self

import numpy as np

from catalog.errors import ParameterError, StoreError
from catalog.features.measure import MEASURE_VERSION
from catalog.library.store.cache import Rereader
from catalog.library.store.database import Database, connect, path_from_db, path_to_db
from catalog.library.store.ingest import MeasuredFile, MovedFile, write_file
from catalog.models import ROLES, STATES, Action, Hit, Mark, Role, RoleSource, Skipped, State

SAME_TAKE = (  # a hit, and the other strokes of its take
    "SELECT id FROM hit WHERE id = ? OR (region != 0 AND state != 'aside' AND path ="
    " (SELECT path FROM hit WHERE id = ? AND region != 0))"
)
STATE = "CASE WHEN state = 'here' AND hidden THEN 'hidden' ELSE state END"
CHUNK = 500  # ids per query; SQLite allows 999 values in its older versions
HIT_COLUMNS = (
    "id, path, start, stop, sr, n_channels, session, drum, microphone, take, role, role_confidence,"
    f" role_source, descriptors, container, subtype, content_hash, {STATE}, note, mark, tags,"
    " remark, region, session_source, origin, mate, aside"
)


# A look-up takes a tenth of the time that calling the class takes.
ROLE_BY_TEXT = {role.value: role for role in Role}
ROLE_SOURCE_BY_TEXT = {source.value: source for source in RoleSource}
STATE_BY_TEXT = {state.value: state for state in State}
MARK_BY_TEXT = {mark.value: mark for mark in Mark}


class FileRow(NamedTuple):
    """What the store knows of one file: that of a hit, or one that was skipped for `reason`."""

    size: int
    mtime_ns: int
    version: int
    hit_id: int | None
    state: str
    reason: str
    mate: str | None
    path: str


class Store(Database):
    """All hits with their numbers; see `Store.open`."""

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open or create a store, and finish what an interrupted move of files left half done.

        Parameters
        ----------
        path : str or Path
            the SQLite file; its folder is made if needed

        Returns
        -------
        Store, also a context manager

        Raises
        ------
        StoreError
            if it cannot be opened, is something else, or was written by a newer version
        """
        from catalog.library.files.journal import recover_moves

        place = Path(os.path.abspath(path))
        store = cls(place, connect(place))
        try:
            recover_moves(store)
        except BaseException:
            store.close()
            raise
        return store

    def hits(self, *, states: Sequence[str] = (State.HERE, State.MISSING)) -> list[Hit]:
        """Give all hits that are in one of `states`, by id.

        Raises
        ------
        ParameterError
            if a state is unknown
        """
        if unknown := set(states) - set(STATES):
            raise ParameterError(f"states holds {min(unknown)!r}; known are {', '.join(STATES)}")
        marks = ", ".join("?" * len(states))
        where = f"{STATE} IN ({marks})"
        return list(self._reader.read(self, where, tuple(states), make=self._to_hit))

    @cached_property
    def _reader(self) -> Rereader:
        return Rereader(HIT_COLUMNS)

    def hit(self, hit_id: int) -> Hit:
        """Give one hit.

        Raises
        ------
        StoreError
            if there is none with this id
        """
        rows = self.read(f"SELECT {HIT_COLUMNS} FROM hit WHERE id = ?", (int(hit_id),))
        if not rows:
            raise StoreError(
                f"hit {hit_id} is not in this store; `catalog hits` lists those that are"
            )
        return self._to_hit(rows[0])

    def _to_hit(self, row: Sequence[Any]) -> Hit:
        *values, aside = row
        values[1] = Path(path_from_db(values[1])) if aside is None else self.aside_folder / aside
        values[10], values[12] = ROLE_BY_TEXT[values[10]], ROLE_SOURCE_BY_TEXT[values[12]]
        values[17], values[19] = STATE_BY_TEXT[values[17]], MARK_BY_TEXT[values[19]]
        values[13] = {k: math.nan if v is None else v for k, v in json.loads(values[13]).items()}
        values[20] = () if values[20] == "[]" else tuple(json.loads(values[20]))  # most have none
        values[24] = {} if values[24] == "{}" else json.loads(values[24])
        values[25] = None if values[25] is None else Path(path_from_db(values[25]))
        return Hit(*values)

    def known_files(self) -> dict[str, FileRow]:
        """Give every file that need not be read again while size and time stay, by its path.

        A file set aside is not among them. A path where a hit went missing and a file that
        could not be used took its place is given as the latter.
        """
        rows = self.read(  # answered by the index `hit_path` alone, in its order
            "SELECT size, mtime_ns, version, id, state, '', mate, path FROM hit"
            " WHERE region >= 0 AND state != 'aside' ORDER BY path, state"
        )
        rows.reverse()  # of one path "missing" comes first, and "here" takes its place
        known = dict(zip([row[7] for row in rows], map(FileRow._make, rows), strict=True))
        for row in self.read(
            "SELECT size, mtime_ns, version, NULL, 'skipped', reason, NULL, path FROM skipped"
        ):
            path = path_from_db(row[7])
            known[path] = FileRow._make((*row[:7], path))
        return known

    def content_hashes(self, hit_ids: Sequence[int]) -> dict[int, str]:
        """Give what the files of some hits held when they were measured, by id."""
        found: dict[int, str] = {}
        for at in range(0, len(hit_ids), CHUNK):
            some = hit_ids[at : at + CHUNK]
            marks = ", ".join("?" * len(some))
            query = f"SELECT id, content_hash FROM hit WHERE id IN ({marks})"
            found.update(self.read(query, some))
        return found

    def write_measured(self, batch: Sequence[MeasuredFile]) -> list[str]:
        """Keep measured files in one step.

        Returns
        -------
        list of str, one per file: "added", "changed", or "unchanged" where another scan was first
        """
        if not batch:
            return []
        with self.writing() as db:
            return [write_file(db, file) for file in batch]

    def write_skipped(self, files: Iterable[tuple[str, int, int, str]]) -> None:
        """Remember files that cannot be used, each as (path, size, mtime_ns, reason).

        A hit that was at such a path is missing from now on.
        """
        rows = list(files)
        with self.writing(changes_hits=bool(rows)) as db:
            for path, size, mtime_ns, reason in rows:
                row = (path_to_db(path), size, mtime_ns, MEASURE_VERSION, reason)
                db.execute("INSERT OR REPLACE INTO skipped VALUES (?, ?, ?, ?, ?)", row)
                db.execute(
                    "UPDATE hit SET state = 'missing' WHERE path = ? AND state = 'here'", row[:1]
                )

    def forget_skipped(self, paths: Iterable[str]) -> None:
        """Take paths off the list of skipped files: they are gone."""
        with self.writing(changes_hits=False) as db:
            db.executemany("DELETE FROM skipped WHERE path = ?", [(path_to_db(p),) for p in paths])

    def skipped(self) -> list[Skipped]:
        """Give all files that could not be used, by path."""
        rows = self.read("SELECT path, reason FROM skipped")
        return sorted(Skipped(Path(path_from_db(path)), reason) for path, reason in rows)

    def mark_missing(self, hits: Iterable[tuple[int, str]]) -> None:
        """Mark hits, each as (id, path), whose files are gone from there."""
        self._mark(hits, State.MISSING, was=State.HERE)

    def mark_here(self, hits: Iterable[tuple[int, str]]) -> None:
        """Mark hits, each as (id, path), whose files have come back to their places."""
        self._mark(hits, State.HERE, was=State.MISSING)

    def _mark(self, hits: Iterable[tuple[int, str]], state: str, *, was: str) -> None:
        """Change states, but not of hits that another scan has found elsewhere meanwhile."""
        rows = [(state, hit_id, path_to_db(path), was) for hit_id, path in hits]
        sql = (
            "UPDATE OR IGNORE hit SET state = ? WHERE (id = ? OR region > 0) AND path = ?"
            " AND state = ? AND region >= 0"
        )
        if rows:
            with self.writing() as db:
                db.executemany(sql, rows)

    def mark_same(self, hit_id: int, *, path: str, size: int, mtime_ns: int) -> None:
        """Note that the file of a hit was touched but holds what it held."""
        with self.writing() as db:
            db.execute(
                "UPDATE OR IGNORE hit SET size = ?, mtime_ns = ?, state = 'here'"
                " WHERE id = ? OR (path = ? AND region > 0 AND state != 'aside')",
                (size, mtime_ns, hit_id, path_to_db(path)),
            )
            db.execute("DELETE FROM skipped WHERE path = ?", (path_to_db(path),))

    def lost_files(self) -> list[tuple[int, str, int, str]]:
        """Give (id, path, size, content hash) of each hit whose file is not where it was.

        The disk is asked for every hit, so that a file is never taken for moved while it is there.
        """
        rows = self.read(
            "SELECT id, path, size, content_hash, aside FROM hit WHERE region = 0 OR id IN"
            " (SELECT min(id) FROM hit WHERE region > 0 GROUP BY path, state) ORDER BY id"
        )
        places = {
            row[0]: path_from_db(row[1]) if row[4] is None else str(self.aside_folder / row[4])
            for row in rows
        }
        return [(i, path_from_db(p), n, h) for i, p, n, h, _ in rows if _is_gone(places[i])]

    def mark_moved(self, hit_id: int, file: MovedFile) -> bool:
        """Give a hit the new place of its file, and what the new name tells.

        Returns
        -------
        bool, False where another scan has a hit at the new place already
        """
        place = path_to_db(file.path)
        with self.writing() as db:
            if db.execute(
                "SELECT 1 FROM hit WHERE path = ? AND state = 'here'", (place,)
            ).fetchone():
                return False
            p = file.provenance
            ids = [row[0] for row in db.execute(SAME_TAKE, (hit_id, hit_id))]
            mate = path_to_db(file.mate) if file.mate else None
            times = (file.size, file.mtime_ns)
            told = (place, mate, *times, p.drum, p.microphone, p.take, p.note)
            role = (file.role, file.role_confidence, file.role_source)
            for each in ids:
                db.execute(
                    "UPDATE hit SET path = ?, mate = ?, size = ?, mtime_ns = ?,"
                    " state = iif(region < 0, state, 'here'), aside = NULL, drum = ?,"
                    " microphone = ?, take = ?, note = ? WHERE id = ?",
                    (*told, each),
                )
                db.execute(  # the mix is the user's word on the content, not the file's
                    "UPDATE hit SET origin = json_patch(?, json_object('mix',"
                    " json_extract(origin, '$.mix'))) WHERE id = ?",
                    (json.dumps(dict(p.origin)), each),
                )
                db.execute(
                    "UPDATE hit SET session = ?, session_source = ?"
                    " WHERE id = ? AND session_source != 'user'",
                    (p.session, p.session_source, each),
                )
                db.execute(
                    "UPDATE hit SET role = ?, role_confidence = ?, role_source = ?"
                    " WHERE id = ? AND role_source != 'user'",
                    (*role, each),
                )
            db.execute("DELETE FROM skipped WHERE path = ?", (place,))
        return True

    def embeddings(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Give the embeddings: float32, shape (n, EMBEDDING_DIM), kept at half precision.

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        return self._arrays("picture", hit_ids, "<f2")

    def production(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Give the traces of room, microphone and converter: float32, shape (n, p).

        Where some hits were measured before a trace was known, all are given without it.
        """
        return self._arrays("production", hit_ids, "<f4")

    def role_probabilities(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Give what the sound alone says of the roles: float32, shape (n, 20), as `ROLES`."""
        return self._arrays("role_probabilities", hit_ids, "<f4")

    def _arrays(self, column: str, hit_ids: Sequence[int] | np.ndarray, dtype: str) -> np.ndarray:
        ids = [int(hit_id) for hit_id in hit_ids]
        found: dict[int, bytes] = {}
        for at in range(0, len(ids), CHUNK):
            some = ids[at : at + CHUNK]
            marks = ", ".join("?" * len(some))
            found.update(
                self.read(f"SELECT hit_id, {column} FROM numbers WHERE hit_id IN ({marks})", some)
            )
        if unknown := set(ids) - set(found):
            raise StoreError(f"hit {min(unknown)} is not in this store")
        rows = [np.frombuffer(found[hit_id], dtype=dtype) for hit_id in ids]
        width = min(map(len, rows), default=0)
        return np.asarray([row[:width] for row in rows], np.float32).reshape(len(rows), width)

    def set_role(
        self, hit_id: int, role: str, *, confidence: float = 1.0, source: str = RoleSource.USER
    ) -> None:
        """Say what part of the kit a hit plays; what the user says is kept in the history.

        Raises
        ------
        ParameterError
            if the role is not one of `ROLES`
        StoreError
            if the hit is unknown
        """
        if role not in ROLES:
            raise ParameterError(f"role={role!r} is unknown; roles are {', '.join(ROLES)}")
        with self.writing() as db:
            hit = self.hit(hit_id)
            db.execute(
                "UPDATE hit SET role = ?, role_confidence = ?, role_source = ? WHERE id = ?",
                (role, float(confidence), source, hit.id),
            )
            if source == RoleSource.USER:
                said = f"{hit.role} -> {role}"
                self.add_event(Action.ROLE, hit.id, source=hit.path, target=hit.path, reason=said)


def _is_gone(place: str) -> bool:
    """Tell whether there is surely no file; one that may not be looked at is not gone."""
    try:
        os.lstat(place)
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False
