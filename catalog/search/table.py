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
from catalog.library.store.schema import ANNOTATED
from catalog.library.store.store import Store
from catalog.models import MARK_RANK, Hit, Mark, State
from catalog.search.coordinates import StoredCoordinates, read_hit_ids
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


class RowsById(Mapping[int, int]):
    """The row of each hit by its id, found in the ids themselves: a dict takes 0.1 kB a hit.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n,), ascending
    """

    def __init__(self, hit_ids: np.ndarray) -> None:
        self._ids = hit_ids

    def __getitem__(self, hit_id: int) -> int:
        row = int(self._ids.searchsorted(hit_id))
        if row == len(self._ids) or self._ids[row] != hit_id:
            raise KeyError(hit_id)
        return row

    def __len__(self) -> int:
        return len(self._ids)

    def __iter__(self) -> Iterator[int]:
        return iter(self._ids.tolist())

    def find(self, hit_ids: Sequence[int] | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return which of some hits have a row, and these rows; bool (n,) and int (n_found,)."""
        wanted = np.asarray(hit_ids, np.int64)
        rows = self._ids.searchsorted(wanted)
        rows[rows == len(self._ids)] = 0
        has_row = self._ids[rows] == wanted if len(self._ids) else np.zeros(len(wanted), bool)
        return has_row, rows[has_row]


@dataclass(frozen=True, eq=False)
class HitTable:
    """Hits in state "here"; row i is the same hit in `hits` and in `spaces`."""

    revision: int  # of the store
    hits: HitRows  # by id
    coordinates: StoredCoordinates
    store: Store

    @property
    def hit_ids(self) -> np.ndarray:
        """The ids; int64, shape (n,), ascending."""
        return self.coordinates.hit_ids

    @property
    def spaces(self) -> Spaces:
        """All coordinates, read at the first use."""
        return self.coordinates.spaces

    @cached_property
    def rows(self) -> RowsById:
        """The row of each hit by its id."""
        return RowsById(self.hit_ids)

    @cached_property
    def content_key(self) -> int:
        """A digest of what was measured, see `content_key`."""
        return content_key(self.hits)

    @cached_property
    def mark_ranks(self) -> np.ndarray:
        """Rank of the mark of each hit, the best first; int, shape (n,)."""
        ranks = np.full(len(self.hits), MARK_RANK[Mark.NONE])
        sql = f"SELECT id, mark FROM hit WHERE mark != '' AND {ANNOTATED}"
        marked = self.store.database.read(sql)
        has_row, rows = self.rows.find([hit_id for hit_id, _ in marked])
        values = np.array([MARK_RANK[Mark(mark)] for _, mark in marked], int)
        ranks[rows] = values[has_row]
        return ranks

    def matches(self, where: str, values: Sequence[Any]) -> np.ndarray:
        """Return which rows an SQL condition on the table `hit` selects; bool, shape (n,)."""
        rows = self.store.database.read(f"SELECT id FROM hit WHERE {where}", values)
        found = np.fromiter((row[0] for row in rows), np.int64, len(rows))
        return np.isin(self.hit_ids, found)

    def same_drum(self, row: int) -> np.ndarray:
        """Return the rows whose names show the drum of a row, itself among them; int, ascending."""
        hit = self.hits[row]
        if not (hit.session and hit.drum):
            return np.zeros(0, int)
        sql = "SELECT hit_id FROM hit_search WHERE session = ? AND drum = ? ORDER BY hit_id"
        found = [one[0] for one in self.store.database.read(sql, (hit.session, hit.drum))]
        return self.rows.find(found)[1]  # by id, as the rows are

    def allowed(self, *, no_good: bool = False, left_out: Collection[int] = ()) -> np.ndarray:
        """Return which rows a search may find, bool, shape (n,): all that are not marked no good.

        With `no_good`, those as well. Hits whose ids are in `left_out` are never found.
        """
        is_good = self.mark_ranks != MARK_RANK[Mark.NO_GOOD]
        allowed = np.ones(len(self.hits), bool) if no_good else is_good
        allowed[self.rows.find([*left_out])[1]] = False
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
    ids = read_present_ids(store, microphones=microphones)
    hits = HitRows(store, ids, revision=revision, microphones=microphones)
    coordinates = StoredCoordinates(store, ids)
    if (
        known is not None
        and coordinates.key is not None
        and known.coordinates.key == coordinates.key
        and np.array_equal(known.hit_ids, ids)
    ):
        coordinates = known.coordinates
    return HitTable(revision, hits, coordinates, store)


def read_present_ids(store: Store, *, microphones: bool = False) -> np.ndarray:
    """Return the ids of the hits in state "here"; int64, shape (n,), ascending.

    They are those of `Hits.ids`, read from the blocks of coordinates.
    """
    unlisted = store.hits.unlisted_ids(microphones=microphones)
    ids = read_hit_ids(store)  # last: a hit that comes meanwhile is listed with its coordinates
    if not len(unlisted):
        return ids
    listed = np.ones(len(ids), bool)
    listed[RowsById(ids).find(unlisted)[1]] = False
    return ids[listed]


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
