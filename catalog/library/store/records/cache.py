"""Results that take long to compute: decisions on pairs, groups, the map, what was learned."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np

from catalog.errors import ParameterError
from catalog.library.store.database import Database, now_utc
from catalog.models import Hit, Verdict

KEY_DIGITS = 20  # 80 bits of the hash: among a million recordings, 1e-12 chance of a collision
MANY_HITS = 20_000  # in smaller libraries, equal files are found within 5 ms
EQUAL_FILES, EQUAL_FILES_VERSION = "equal files", 1  # a part of what was learned
Keys = tuple[str, str]
Signs = tuple[tuple[str, float, float], ...]
"""Name, weight and amount of each sign, see `catalog.matching.origin`."""
CachedGroup = tuple[int, tuple[tuple[int, str, float], ...], str]
"""Id of the hit to keep, id, relation and evidence (0 to 1) of each other one, and the reason."""


class Decision(NamedTuple):
    """What the classifier decided about one pair, the share in common, and its logit."""

    answer: Verdict
    share: float
    logit: float


class DecisionCache:
    """Decisions by the content of both hits, from earlier runs and new ones of this run."""

    def __init__(self, known: dict[Keys, Decision] | None = None) -> None:
        self._known = known or {}
        self.made: dict[Keys, Decision] = {}

    def get(self, first: Hit, second: Hit) -> Decision | None:
        """Return the decision about two hits, in either order; None if there is none."""
        keys = _keys(first, second)
        return self.made.get(keys) or self._known.get(keys)

    def add(self, first: Hit, second: Hit, decision: Decision) -> None:
        """Add a decision."""
        self.made[_keys(first, second)] = decision

    @classmethod
    def read(cls, database: Database, *, version: int) -> DecisionCache:
        """Read the decisions of this version of the classifier."""
        sql = "SELECT first, second, answer, share, logit FROM decision WHERE version = ?"
        return cls._from_rows(database.read(sql, (version,)))

    @classmethod
    def read_of(cls, database: Database, hits: Iterable[Hit], *, version: int) -> DecisionCache:
        """Read the decisions about pairs of some hits."""
        keys = json.dumps([*{_key(hit) for hit in hits}])
        sql = """SELECT first, second, answer, share, logit FROM decision WHERE version = ?
            AND first IN (SELECT value FROM json_each(?))
            AND second IN (SELECT value FROM json_each(?))"""
        return cls._from_rows(database.read(sql, (version, keys, keys)))

    @classmethod
    def _from_rows(cls, rows: Iterable[Sequence[Any]]) -> DecisionCache:
        verdicts = {verdict.value: verdict for verdict in Verdict}
        return cls({(a, b): Decision(verdicts[word], *rest) for a, b, word, *rest in rows})

    def write(self, database: Database, *, version: int) -> None:
        """Write the new decisions in place of older ones; a read-only store stays as it is."""
        rows = [(*keys, version, *decision) for keys, decision in self.made.items()]
        if not database.is_read_only:
            with database.writing(changes_hits=False) as db:
                db.executemany("INSERT OR REPLACE INTO decision VALUES (?, ?, ?, ?, ?, ?)", rows)
        self._known.update(self.made)
        self.made.clear()


def _keys(first: Hit, second: Hit) -> Keys:
    a, b = sorted(map(_key, (first, second)))
    return a, b


def _key(hit: Hit) -> str:
    return f"{hit.content_hash[:KEY_DIGITS]}:{hit.span_text}"


class OriginCache:
    """Signs of which of two copies was made first, by the content of both hits."""

    def __init__(self, database: Database, *, version: int) -> None:
        self._database = database
        self._version = version
        self._made: dict[Keys, Signs] = {}

    def get(self, first: Hit, second: Hit) -> Signs | None:
        """Return the signs for two hits, with weights above 0 for the first; None if unknown."""
        keys = _keys(first, second)
        signs = self._made.get(keys)
        if signs is None:
            sql = "SELECT signs FROM origin WHERE first = ? AND second = ? AND version = ?"
            rows = self._database.read(sql, (*keys, self._version))
            if not rows:
                return None
            signs = tuple((name, weight, size) for name, weight, size in json.loads(rows[0][0]))
        return _turn(signs, keys, first)

    def add(self, first: Hit, second: Hit, signs: Signs) -> None:
        """Add the signs of two hits, with weights above 0 for the first."""
        keys = _keys(first, second)
        self._made[keys] = _turn(signs, keys, first)

    def write(self) -> None:
        """Write what was added; a read-only store stays as it is."""
        rows = [(*keys, self._version, json.dumps(signs)) for keys, signs in self._made.items()]
        if rows and not self._database.is_read_only:
            with self._database.writing(changes_hits=False) as db:
                db.executemany("INSERT OR REPLACE INTO origin VALUES (?, ?, ?, ?)", rows)
            self._made.clear()


def _turn(signs: Signs, keys: Keys, first: Hit) -> Signs:
    """Exchange the two hits unless the first one comes first in the keys too."""
    if _key(first) == keys[0]:
        return signs
    return tuple((name, -weight, size) for name, weight, size in signs)


class GroupCache:
    """The one list of groups that is stored."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def save(self, groups: Sequence[CachedGroup], *, key: int) -> None:
        """Store groups, with a key of what they were found in; not in a read-only store."""
        if self._database.is_read_only:
            return
        with self._database.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO copies VALUES (1, ?, ?)", (json.dumps(groups), key))

    def read(self) -> tuple[list[CachedGroup], int] | None:
        """Return the groups and their key; None if none were stored."""
        rows = self._database.read("SELECT payload, revision FROM copies")
        if not rows:
            return None
        payload, key = rows[0]
        groups = json.loads(payload)
        return [
            (keep, tuple((i, r, e) for i, r, e in others), "".join(reason))
            for keep, others, *reason in groups
        ], key


def forget_equal_files(db: sqlite3.Connection) -> None:
    """Delete which hits have equal files, because the content of one has changed."""
    db.execute("DELETE FROM learned WHERE part = ?", (EQUAL_FILES,))


class Layouts:
    """The one layout that is stored."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def save(
        self, hit_ids: Sequence[int] | np.ndarray, xy: np.ndarray, *, kind: str, seed: int
    ) -> None:
        """Store a layout, ids (n,) and positions (n, 2) without unit, in place of the one before.

        `kind` is "umap", "pca" or "placed". Raise `ParameterError` if the shapes do not fit.
        """
        ids, positions = np.asarray(hit_ids, dtype="<i8"), np.asarray(xy, dtype="<f4")
        if positions.shape != (len(ids), 2):
            text = f"xy has shape {positions.shape}; {len(ids)} hits need ({len(ids)}, 2)"
            raise ParameterError(text)
        row = (ids.tobytes(), positions.tobytes(), kind, seed, now_utc())
        with self._database.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO layout VALUES (1, ?, ?, ?, ?, ?)", row)

    def add(self, hit_ids: np.ndarray, xy: np.ndarray) -> None:
        """Store the positions of hits that have none yet; a read-only store stays as it is.

        Shapes: `hit_ids` (n,), `xy` (n, 2). Stored positions, also of missing hits, are kept.
        """
        if self._database.is_read_only:
            return
        with self._database.writing(changes_hits=False) as db:
            row = db.execute("SELECT hit_ids, xy, kind, seed FROM layout").fetchone()
            if row is None:
                return
            stored_ids, stored_xy, _, seed = row
            is_new = ~np.isin(hit_ids, np.frombuffer(stored_ids, dtype="<i8"))
            ids = stored_ids + np.asarray(hit_ids[is_new], dtype="<i8").tobytes()
            positions = stored_xy + np.asarray(xy[is_new], dtype="<f4").tobytes()
            values = (ids, positions, "placed", seed, now_utc())
            db.execute("INSERT OR REPLACE INTO layout VALUES (1, ?, ?, ?, ?, ?)", values)

    def read(self) -> tuple[np.ndarray, np.ndarray, str]:
        """Return ids, int64 (n,), positions, float32 (n, 2), and kind; n = 0 and "" if none."""
        rows = self._database.read("SELECT hit_ids, xy, kind FROM layout")
        ids, xy, kind = rows[0] if rows else (b"", b"", "")
        positions = np.frombuffer(xy, dtype="<f4").reshape(-1, 2).astype(np.float32)
        return np.frombuffer(ids, dtype="<i8").astype(np.int64), positions, str(kind)

    def checksum(self) -> int:
        """Return a number that changes when another layout is stored; 0 if none is."""
        rows = self._database.read("SELECT hit_ids, xy FROM layout")
        return zlib.crc32(b"".join(rows[0])) if rows else 0


class Learned(NamedTuple):
    """One thing that was learned from the hits of the library."""

    values: dict[str, Any]  # how it was learned
    points: np.ndarray  # float32, two-dimensional


class LearnedParts:
    """What was learned, by part; it can be learned again, or forgotten, at any time.

    `version` is that of the code and the arrays that it was learned with.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def read(self, part: str, version: int) -> Learned | None:
        """Return a part that was learned with a version; None if there is none."""
        sql = "SELECT payload, points FROM learned WHERE part = ? AND version = ?"
        for payload, points in self._database.read(sql, (part, version)):
            values = json.loads(payload)
            shape = values.pop("shape")
            return Learned(values, np.frombuffer(points, "<f4").reshape(shape))
        return None

    def save(
        self, part: str, version: int, learned: Learned, *, revision: int | None = None
    ) -> None:
        """Store a part in place of what was learned before; a read-only store stays as it is.

        With the `revision` that it was learned at, it is stored only if that has not changed.
        """
        if self._database.is_read_only:
            return
        payload = json.dumps({**learned.values, "shape": learned.points.shape})
        row = (part, version, payload, learned.points.astype("<f4").tobytes())
        with self._database.writing(changes_hits=False) as db:
            if revision in (None, self._database.revision()):
                db.execute("INSERT OR REPLACE INTO learned VALUES (?, ?, ?, ?)", row)

    def forget(self, part: str) -> bool:
        """Delete a part; return whether there was one."""
        if not self._database.read("SELECT 1 FROM learned WHERE part = ?", (part,)):
            return False
        with self._database.writing(changes_hits=False) as db:
            db.execute("DELETE FROM learned WHERE part = ?", (part,))
        return True


class EqualFiles:
    """Which hits have files of equal content; in a large library they are stored."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read(self) -> list[int]:
        """Return the ids of all hits whose file has the same content as another hit's file.

        They are stored until a hit is measured, since reading all contents takes a quarter of a
        second in a library of a million hits.
        """
        stored = LearnedParts(self._database)
        known = stored.read(EQUAL_FILES, EQUAL_FILES_VERSION)
        if known is not None:
            return list(known.values["ids"])
        revision = self._database.revision()  # first: what is written meanwhile makes them stale
        shared = "SELECT content_hash FROM hit GROUP BY content_hash HAVING count(*) > 1"
        sql = f"SELECT id FROM hit WHERE content_hash IN ({shared}) ORDER BY id"
        found = [row[0] for row in self._database.read(sql)]
        if self._database.read("SELECT 1 FROM hit WHERE id >= ? LIMIT 1", (MANY_HITS,)):
            learned = Learned({"ids": found}, np.zeros((0, 0), np.float32))
            stored.save(EQUAL_FILES, EQUAL_FILES_VERSION, learned, revision=revision)
        return found
