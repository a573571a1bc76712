"""The hits of a store, with their embeddings and role probabilities."""

from __future__ import annotations

import gc
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from catalog.errors import ParameterError, StoreArgumentError, StoreError
from catalog.library.integrity.damaged_words import WordsCheck
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import (
    Database,
    path_from_db,
    path_to_db,
    placeholders,
    update_hit,
)
from catalog.library.store.records.history import History
from catalog.library.store.schema import MAY_BE_NOISE
from catalog.library.store.stroke_microphones import ALONE, Microphones, Tied, parse_channels
from catalog.models import (
    NOISES,
    ROLES,
    STATES,
    Action,
    Event,
    Hit,
    Mark,
    Role,
    RoleSource,
    State,
)

MEASURED = "version || ' ' || mtime_ns || ' ' || size"  # changes whenever the numbers are measured
STATE_SQL = "CASE WHEN state = 'here' AND hidden THEN 'hidden' ELSE state END"
COLUMNS = (
    "id", "path", "start", "stop", "sr", "n_channels", "session", "drum", "microphone", "take",
    "role", "role_confidence", "role_source", "descriptors", "container", "subtype",
    "content_hash", "state", "note", "mark", "tags", "remark", "region", "session_source",
    "origin", "mate", "scanned_utc", "exported", "names", "channels", "event", "tempo_bpm",
    "n_strokes", "aside",
)  # fmt: skip
COMPUTED = {  # the other columns are read as they are
    "state": STATE_SQL,
    "exported": "content_hash IN (SELECT sha256 FROM exported)",
}
# Present hits that are a voice, a bump or a dropped stick, as the user called them or as judged.
NOISE_HITS = (
    f"SELECT id FROM hit WHERE {MAY_BE_NOISE} AND state = 'here'"
    " AND coalesce(json_extract(names, '$.event'), event)"
    f" IN ({', '.join(repr(event.value) for event in NOISES)})"
)
# Hits for which another microphone of the same stroke stands; both are in the same state.
COMPANIONS = (
    "SELECT m.hit_id FROM microphone m JOIN hit h ON h.id = m.hit_id JOIN hit r ON r.id = m.stroke"
    " WHERE m.stroke != m.hit_id AND r.state = h.state AND r.hidden = h.hidden"
)
# Hits that are not present, as ranges of the index over states.
AWAY = (
    "hidden < 0", "hidden > 0", "hidden = 0 AND state < 'here'", "hidden = 0 AND state > 'here'",
)  # fmt: skip
EXPRESSIONS = tuple(COMPUTED.get(column, column) for column in COLUMNS)
# Members by their text: looking one up takes a tenth of the time that calling the class takes.
ROLE_BY_TEXT = {role.value: role for role in Role}
ROLE_SOURCE_BY_TEXT = {source.value: source for source in RoleSource}
STATE_BY_TEXT = {state.value: state for state in State}
WORD_COLUMNS = ("mark", "tags", "remark", "names", "role_source", "session_source")
EVENT_BY_TEXT = {event.value: event for event in Event}
MARK_BY_TEXT = {mark.value: mark for mark in Mark}


@contextmanager
def gc_paused() -> Iterator[None]:
    """Pause garbage collection while many objects are made; leave it off if it was off.

    The collector scans all objects again as their number grows: 3 of 57 ms of a scan of 10,000
    unchanged files, in a process that holds little else.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


NAMES = (
    "drum",
    "microphone",
    "event",
)  # fields of a hit that the user can set in the column `names`


class HitCache:
    """Hits by the contents of their rows; the long text of descriptors is read only once."""

    def __init__(self, database: Database, to_hit: Callable[[Sequence[Any], Tied], Hit]) -> None:
        self._database = database
        self._to_hit = to_hit
        self._at = EXPRESSIONS.index("descriptors")
        short = [MEASURED if name == "descriptors" else name for name in EXPRESSIONS]
        self._select = f"SELECT {', '.join(short)} FROM hit"
        self._known: dict[int, tuple[int, Hit]] = {}  # by id, with the hash of the row
        self._microphones = Microphones(database)
        self._lists: dict[tuple[Any, ...], tuple[int, list[Hit]]] = {}  # with their revision
        self._check = WordsCheck(database)

    def read(self, where: str, values: Sequence[Any]) -> list[Hit]:
        """Read the hits that an SQL condition selects, by id; the list is not to be altered.

        A hit about which nothing has changed is the same object as before.
        """
        revision = self._database.revision()  # first: what is written meanwhile makes it stale
        cached = self._lists.get((where, *values))
        if cached is None or cached[0] != revision:
            cached = revision, self._read_rows(where, values)
            self._lists[(where, *values)] = cached
        return cached[1]

    def read_ids(self, hit_ids: Sequence[int]) -> list[Hit]:
        """Read the hits of some ids, in the given order; unknown ids are left out."""
        ids = list(map(int, hit_ids))
        where = "id IN (SELECT value FROM json_each(?))"
        rows = self._read_rows(where, (json.dumps(ids),), hit_ids=ids)
        found = {hit.id: hit for hit in rows}
        return [found[hit_id] for hit_id in ids if hit_id in found]

    @gc_paused()
    def _read_rows(
        self, where: str, values: Sequence[Any], *, hit_ids: Sequence[int] | None = None
    ) -> list[Hit]:
        rows = self._database.read(f"{self._select} WHERE {where} ORDER BY id", values)
        tied, known = self._microphones.read(hit_ids), self._known
        keys = [hash(row) for row in rows]
        if tied:
            keys = [hash((k, tied.get(r[0], ALONE)[0])) for k, r in zip(keys, rows, strict=True)]
        new = [r[0] for r, k in zip(rows, keys, strict=True) if known.get(r[0], (None,))[0] != k]
        sql = "SELECT id, descriptors FROM hit WHERE"
        if len(new) == len(rows):
            descriptors = dict(self._database.read(f"{sql} {where}", values))
        else:
            descriptors = dict(self._database.read_by_id(f"{sql} id IN", new))
        self._check.report_hits(new, _annotated(rows))
        # No lock: two threads may both make a hit, and then one of two equal ones is kept.
        for row, key in zip(rows, keys, strict=True):
            if row[0] in descriptors:
                whole = (*row[: self._at], descriptors[row[0]], *row[self._at + 1 :])
                known[row[0]] = (key, self._to_hit(whole, tied.get(row[0], ALONE)[1]))
        return [known[row[0]][1] for row in rows if row[0] in known]


def _condition(states: Sequence[str], *, microphones: bool, noises: bool) -> str:
    """Return the SQL condition of what `Hits.read` returns; its values are the states."""
    if unknown := set(states) - set(STATES):
        raise ParameterError(f"states holds {min(unknown)!r}; known are {', '.join(STATES)}")
    where = f"{STATE_SQL} IN ({placeholders(len(states))})"
    if not microphones:
        where += f" AND id NOT IN ({COMPANIONS})"
    if not noises:
        where += f" AND id NOT IN ({NOISE_HITS})"
    return where


def _annotated(rows: Sequence[Sequence[Any]]) -> list[int]:
    """Return the ids of rows, with the columns `COLUMNS`, that hold words of the user."""
    mark, tags, remark, names, role, session = map(COLUMNS.index, WORD_COLUMNS)
    user = RoleSource.USER.value
    return [
        r[0]
        for r in rows
        if r[mark] or r[remark] or r[tags] != "[]" or r[names] != "{}"
        or r[role] == user or r[session] == user
    ]  # fmt: skip


def _new_hit(values: dict[str, Any]) -> Hit:
    """Return the hit with these values for all of its fields.

    The constructor of a frozen class sets each by a call, which takes a third of reading a hit.
    """
    hit = object.__new__(Hit)
    hit.__dict__.update(values)
    return hit


class Hits:
    """All hits by id."""

    def __init__(self, database: Database, history: History) -> None:
        self._database = database
        self._history = history
        self._numbers_at = COLUMNS.index("descriptors")
        self._cache = HitCache(database, self._to_hit)
        self._check = WordsCheck(database)

    def read(
        self,
        *,
        states: Sequence[str] = (State.HERE, State.MISSING),
        microphones: bool = False,
        noises: bool = False,
    ) -> list[Hit]:
        """Return all hits that are in one of `states`, by id.

        One hit stands for all microphones of a stroke; with `microphones` each is returned.
        Present hits that are no strokes are left out, unless `noises`; see `NOISES`. Raise
        `ParameterError` if a state is unknown.
        """
        where = _condition(states, microphones=microphones, noises=noises)
        return list(self._cache.read(where, states))

    def ids(
        self,
        where: str = "1",
        values: Sequence[Any] = (),
        *,
        states: Sequence[str] = (State.HERE,),
        microphones: bool = False,
    ) -> np.ndarray:
        """Return the ids of the hits that `read` returns and an SQL condition selects.

        Returns
        -------
        np.ndarray, int64, shape (n,), ascending
        """
        listed = _condition(states, microphones=microphones, noises=False)
        # Without ORDER BY, SQLite reads the index over states and not the wide rows.
        sql = f"SELECT id FROM hit WHERE {listed} AND {where}"
        rows = self._database.read(sql, (*states, *values))
        return np.sort(np.fromiter((row[0] for row in rows), np.int64, len(rows)))

    def unlisted_ids(self, *, microphones: bool = False) -> np.ndarray:
        """Return the ids of all hits that `ids` does not return, in any order; int64, shape (n,).

        Most libraries have few, so that this takes a fraction of the time of `ids`.
        """
        away = " UNION ALL ".join(f"SELECT id FROM hit WHERE {range_}" for range_ in AWAY)
        parts = (away, NOISE_HITS) if microphones else (away, NOISE_HITS, COMPANIONS)
        rows = [row[0] for sql in parts for row in self._database.read(sql)]
        return np.array(rows, np.int64)

    def highest_id(self) -> int:
        """Return the highest id, which is at least the number of hits; 0 without any."""
        return int(self._database.read("SELECT coalesce(max(id), 0) FROM hit")[0][0])

    def read_ids(self, hit_ids: Sequence[int]) -> list[Hit]:
        """Return hits by id, in the given order; ids that are not in the store are left out."""
        return self._cache.read_ids(hit_ids)

    def damage(self) -> list[str]:
        """Return for which hits that were read what the user wrote is damaged, and what to do."""
        return self._check.describe_hits()

    def get(self, hit_id: int) -> Hit:
        """Return one hit; raise `StoreError` if there is none with this id."""
        sql = f"SELECT {', '.join(EXPRESSIONS)} FROM hit WHERE id = ?"
        rows = self._database.read(sql, (int(hit_id),))
        if not rows:
            text = f"hit {hit_id} is not in this store; `catalog hits` lists those that are"
            raise StoreArgumentError(text)
        self._check.report_hits([int(hit_id)], _annotated(rows))
        tied = Microphones(self._database).read([hit_id])
        return self._to_hit(rows[0], tied.get(rows[0][0], ALONE)[1])

    def _to_hit(self, row: Sequence[Any], tied: Tied = ()) -> Hit:
        """Return the hit of a row with the columns `COLUMNS`.

        Raise `StoreError` if a value is not one that the program writes.
        """
        try:
            return self._make_hit(row, tied)
        except (ValueError, KeyError, TypeError, AttributeError) as err:
            raise StoreError(
                f"{self._database.path}: the row of hit {row[0]} is damaged ({err!r}); run"
                " `catalog check`, then scan its folder again"
            ) from err

    def _make_hit(self, row: Sequence[Any], tied: Tied) -> Hit:
        values = dict(zip(COLUMNS, row, strict=True))
        aside, path, mate = values.pop("aside"), values["path"], values["mate"]
        tags, origin = values["tags"], values["origin"]
        numbers = json.loads(values["descriptors"])
        values["path"] = (
            Path(path_from_db(path)) if aside is None else self._database.aside_folder / aside
        )
        values["mate"] = None if mate is None else Path(path_from_db(mate))
        if "null" in row[self._numbers_at] or type(numbers) is not dict:  # few have one
            numbers = {k: math.nan if v is None else v for k, v in numbers.items()}
        values["descriptors"] = numbers
        values["exported"] = bool(values["exported"])
        values["role"] = ROLE_BY_TEXT[values["role"]]
        values["role_source"] = ROLE_SOURCE_BY_TEXT[values["role_source"]]
        values["state"] = STATE_BY_TEXT[values["state"]]
        values["mark"] = MARK_BY_TEXT[values["mark"]]
        values["tags"] = () if tags == "[]" else tuple(json.loads(tags))  # most have none
        names = {} if values["names"] == "{}" else json.loads(values["names"])
        if names:
            values |= {name: text for name, text in names.items() if name in NAMES}
        values["names"] = names
        values["event"] = EVENT_BY_TEXT[values["event"]]
        values["origin"] = {} if origin == "{}" else json.loads(origin)
        channels = values["channels"]
        values["channels"] = parse_channels(channels) if channels else ()
        values["tied"], values["heard_lkfs"] = tied, None
        return _new_hit(values)

    def content_hashes(self, hit_ids: Sequence[int]) -> dict[int, str]:
        """Return the content hashes of the files of some hits, as measured last, by hit id."""
        sql = "SELECT id, content_hash FROM hit WHERE id IN"
        return dict(self._database.read_by_id(sql, hit_ids))

    def ids_of_content(self, content_hash: str) -> list[int]:
        """Return the ids of the present hits of all files with some content."""
        sql = "SELECT id FROM hit WHERE content_hash = ? AND state = ? ORDER BY id"
        return [row[0] for row in self._database.read(sql, (content_hash, State.HERE))]

    def content_hashes_at(self, path: str) -> list[str]:
        """Return the content hashes of the present hits of one file, each once."""
        sql = "SELECT DISTINCT content_hash FROM hit WHERE path = ? AND state = ?"
        return [row[0] for row in self._database.read(sql, (path_to_db(path), State.HERE))]

    def embeddings(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Return the embeddings: float32, shape (n, N_EMBEDDING), stored at half precision.

        Raise `StoreError` if a hit is unknown.
        """
        return self._read_arrays("picture", hit_ids, dtype="<f2")

    def production(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Return the traces of room, microphone and converter: float32, shape (n, p).

        Where some hits were measured before a trace was known, all are returned without it.
        """
        return self._read_arrays("production", hit_ids, dtype="<f4")

    def role_probabilities(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Return the role probabilities by sound alone: float32, shape (n, 20), as `ROLES`."""
        return self._read_arrays("role_probabilities", hit_ids, dtype="<f4")

    def _read_arrays(
        self, column: str, hit_ids: Sequence[int] | np.ndarray, *, dtype: str
    ) -> np.ndarray:
        ids = [int(hit_id) for hit_id in hit_ids]
        sql = f"SELECT hit_id, {column} FROM numbers WHERE hit_id IN"
        found = dict(self._database.read_by_id(sql, ids))
        if unknown := set(ids) - set(found):
            raise StoreArgumentError(f"hit {min(unknown)} is not in this store")
        rows = [np.frombuffer(found[hit_id], dtype=dtype) for hit_id in ids]
        width = min(map(len, rows), default=0)
        return np.asarray([row[:width] for row in rows], np.float32).reshape(len(rows), width)

    def set_role(
        self, hit_id: int, role: str, *, confidence: float = 1.0, source: str = RoleSource.USER
    ) -> None:
        """Set the role of a stroke, all its microphones; that by the user goes into the history.

        Raise `ParameterError` if the role is not one of `ROLES`, and `StoreError` if the hit is
        unknown.
        """
        if role not in ROLES:
            raise ParameterError(f"role={role!r} is unknown; roles are {', '.join(ROLES)}")
        summary = f"{describe_hits(self._database, [hit_id])}: {role}"
        with self._database.recording.act("role", summary), self._database.writing() as db:
            hit = self.get(hit_id)
            values = {"role": role, "role_confidence": float(confidence), "role_source": source}
            for microphone in hit.microphones:
                update_hit(db, microphone.hit_id, values)
            if source == RoleSource.USER:
                self._history.add_edit(Action.ROLE, hit, f"{hit.role} -> {role}")

    def set_estimated_roles(self, estimates: Iterable[tuple[int, str, float, str]]) -> None:
        """Set estimated roles: hit, role, confidence 0 to 1, and source; of all microphones.

        Roles that the user or a name gave stay. The changes belong to the act under way, if any.
        """
        with self._database.writing() as db:
            for hit_id, role, confidence, source in estimates:
                hit = self.get(hit_id)
                if hit.role_source in (RoleSource.USER, RoleSource.NAME):
                    continue
                values = {"role": role, "role_confidence": confidence, "role_source": source}
                for microphone in hit.microphones:
                    update_hit(db, microphone.hit_id, values)
