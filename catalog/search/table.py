"""The hits of the store beside their coordinates."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, overload

import numpy as np

from catalog.errors import StoreError
from catalog.library.store.database import digest_to_key
from catalog.library.store.store import Store
from catalog.models import MARK_RANK, Hit, Mark, State
from catalog.search.coordinates import coordinates_key, read_spaces
from catalog.search.spaces import Spaces


class HitRows(Sequence[Hit]):
    """The hits of a table by row, read from the store when they are needed.

    A search looks at a few of them; one pass over all reads all, once.
    """

    def __init__(
        self, store: Store, hit_ids: np.ndarray, *, revision: int, microphones: bool
    ) -> None:
        self._store = store
        self._ids = hit_ids
        self._revision, self._microphones = revision, microphones
        self._all: list[Hit] | None = None

    def __len__(self) -> int:
        return len(self._ids)

    @overload
    def __getitem__(self, row: int) -> Hit: ...
    @overload
    def __getitem__(self, row: slice) -> list[Hit]: ...
    def __getitem__(self, row: int | slice) -> Hit | list[Hit]:
        if isinstance(row, slice):
            return self._read_all()[row]
        return self.at([row])[0]

    def __iter__(self) -> Iterator[Hit]:
        return iter(self._read_all())

    def at(self, rows: Sequence[int] | np.ndarray) -> list[Hit]:
        """Return the hits of some rows, in the given order."""
        if self._all is not None:
            return [self._all[row] for row in rows]
        return self._read([int(self._ids[row]) for row in rows])

    def _read_all(self) -> list[Hit]:
        if self._all is None and self._store.revision() == self._revision:
            hits = self._store.hits.read(states=(State.HERE,), microphones=self._microphones)
            if [hit.id for hit in hits] == self._ids.tolist():
                self._all = hits
        if self._all is None:  # the library has changed since
            self._all = self._read(self._ids.tolist())
        return self._all

    def _read(self, ids: list[int]) -> list[Hit]:
        hits = self._store.hits.read_ids(ids)
        if len(hits) != len(ids):
            raise StoreError(f"{self._store.path}: hits were removed meanwhile; try again")
        return hits


@dataclass(frozen=True, eq=False)
class HitTable:
    """Hits in state "here"; row i is the same hit in `hits` and in `spaces`."""

    revision: int  # of the store
    hits: HitRows  # by id
    spaces: Spaces
    coordinates_key: Mapping[int, int] | None  # see `catalog.search.coordinates`
    store: Store

    @cached_property
    def rows(self) -> Mapping[int, int]:
        """The row of each hit by its id."""
        return {hit_id: row for row, hit_id in enumerate(self.spaces.hit_ids.tolist())}

    @cached_property
    def content_key(self) -> int:
        """A digest of what was measured, see `content_key`."""
        return content_key(self.hits)

    @cached_property
    def mark_ranks(self) -> np.ndarray:
        """Rank of the mark of each hit, the best first; int, shape (n,)."""
        ranks = np.full(len(self.hits), MARK_RANK[Mark.NONE])
        marked = self.store.database.read("SELECT id, mark FROM hit WHERE mark != ''")
        for hit_id, mark in marked:
            if hit_id in self.rows:
                ranks[self.rows[hit_id]] = MARK_RANK[Mark(mark)]
        return ranks

    def matches(self, where: str, values: Sequence[Any]) -> np.ndarray:
        """Return which rows an SQL condition on the table `hit` selects; bool, shape (n,)."""
        rows = self.store.database.read(f"SELECT id FROM hit WHERE {where}", values)
        found = np.fromiter((row[0] for row in rows), np.int64, len(rows))
        return np.isin(self.spaces.hit_ids, found)

    def same_drum(self, row: int) -> np.ndarray:
        """Return the rows whose names show the drum of a row, itself among them; int, ascending."""
        hit = self.hits[row]
        if not (hit.session and hit.drum):
            return np.zeros(0, int)
        sql = "SELECT hit_id FROM hit_search WHERE session = ? AND drum = ? ORDER BY hit_id"
        found = [one[0] for one in self.store.database.read(sql, (hit.session, hit.drum))]
        rows = (self.rows.get(hit_id) for hit_id in found)  # by id, as the rows are
        return np.array([row for row in rows if row is not None], int)

    def allowed(self, *, no_good: bool = False, left_out: Collection[int] = ()) -> np.ndarray:
        """Return which rows a search may find, bool, shape (n,): all that are not marked no good.

        With `no_good`, those as well. Hits whose ids are in `left_out` are never found.
        """
        is_good = self.mark_ranks != MARK_RANK[Mark.NO_GOOD]
        allowed = np.ones(len(self.hits), bool) if no_good else is_good
        allowed[[self.rows[hit_id] for hit_id in left_out if hit_id in self.rows]] = False
        return allowed


def read_table(
    store: Store, known: HitTable | None = None, *, microphones: bool = False
) -> HitTable:
    """Read the table, or return `known` itself if the store has not changed since.

    The spaces of `known` are used again if no hit came, went or was measured. A stroke is one row;
    with `microphones` each of its microphones is one.
    """
    revision = store.revision()
    if known is not None and known.revision == revision:
        return known
    ids = store.hits.ids(microphones=microphones)
    hits = HitRows(store, ids, revision=revision, microphones=microphones)
    key = coordinates_key(store, ids)  # first: what is computed meanwhile makes it stale
    if (
        known is not None
        and key is not None
        and known.coordinates_key == key
        and np.array_equal(known.spaces.hit_ids, ids)
    ):
        return HitTable(revision, hits, known.spaces, key, store)
    return HitTable(revision, hits, read_spaces(store, ids), key, store)


def content_key(hits: Iterable[Hit]) -> int:
    """Return a digest of ids, file contents and regions; 63 bits, to fit an SQLite integer.

    It does not change with roles, marks or other annotations.
    """
    digest = hashlib.sha256()
    for hit in hits:
        channels = f" {hit.channels}" if hit.channels else ""
        text = f"{hit.id} {hit.content_hash} {hit.start} {hit.stop}{channels}\n"
        digest.update(text.encode())
    return digest_to_key(digest.digest())
