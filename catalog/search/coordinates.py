"""The coordinates of the hits of a store, computed only for hits that were measured since."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from functools import cached_property, lru_cache

import numpy as np

from catalog.errors import StoreError
from catalog.library.store.records.coordinates import BLOCK_IDS, PART_KEYS, Block, Part
from catalog.library.store.store import Store
from catalog.models import ROLES
from catalog.search.spaces import SPACES_FILE, Spaces, make_spaces, read_role_median

LAYOUT_VERSION = 3  # of the parts of a block: ids; acoustic space, role probabilities; stroke space


@lru_cache(maxsize=1)
def projection_version() -> int:
    """Return a number that changes with the shipped projection."""
    return zlib.crc32(SPACES_FILE.read_bytes(), LAYOUT_VERSION)


class StoredCoordinates:
    """Coordinates of some hits, read when they are used.

    Parameters
    ----------
    store : Store
    hit_ids : np.ndarray, int64, shape (n,), ascending
    """

    def __init__(self, store: Store, hit_ids: np.ndarray) -> None:
        self._store = store
        self.hit_ids = np.asarray(hit_ids, np.int64)
        self.key = coordinates_key(store, hit_ids)  # first: what is computed later makes it stale

    @cached_property
    def similar(self) -> Spaces:
        """The coordinates that a search for similar hits uses; those of strokes have no columns."""
        points = read_part(self._store, self.hit_ids, Part.SIMILAR)
        acoustic, roles = points[: -len(ROLES)].T, points[-len(ROLES) :].T
        none = np.zeros((len(self.hit_ids), 0), np.float32)
        return Spaces(self.hit_ids, none, acoustic, roles, read_role_median())

    @cached_property
    def strokes(self) -> Spaces:
        """The coordinates that a search for other strokes uses; the others have no columns."""
        points = read_part(self._store, self.hit_ids, Part.STROKES)
        none = np.zeros((len(self.hit_ids), 0), np.float32)
        return Spaces(self.hit_ids, points.T, none, none, read_role_median())

    @cached_property
    def spaces(self) -> Spaces:
        """All coordinates.

        Raise `StoreError` if a hit is unknown; it may have been removed meanwhile.
        """
        near, points = self.similar, self.strokes.strokes
        return Spaces(self.hit_ids, points, near.acoustic, near.roles, near.role_median)

    def strokes_of(self, rows: Sequence[int]) -> np.ndarray:
        """Return the coordinates of a few hits in the stroke space; float32, shape (n, n_strokes).

        They are computed if those of all hits have not been read.
        """
        if "strokes" in self.__dict__:
            return self.strokes.strokes[rows]
        ids = self.hit_ids[rows]
        none = np.zeros((len(ids), len(ROLES)), np.float32)
        return make_spaces(ids, self._store.hits.embeddings(ids), none).strokes


def read_spaces(store: Store, hit_ids: np.ndarray) -> Spaces:
    """Read the coordinates of some hits; compute and store those that are not stored yet.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n,), ascending

    Raises
    ------
    StoreError
        if a hit is unknown
    """
    return StoredCoordinates(store, hit_ids).spaces


def read_hit_ids(store: Store) -> np.ndarray:
    """Return the ids of all hits that were measured, in any state; int64, ascending, shape (n,).

    They are read from the blocks, in a twentieth of the time that the rows of the hits take.
    """
    stored = store.coordinates.read_ids(projection_version())
    n_blocks = store.hits.highest_id() // BLOCK_IDS + 1
    blocks = (
        stored[block] if block in stored else store.coordinates.ids_of_block(block)
        for block in range(n_blocks)
    )  # fmt: skip
    return np.concatenate([*blocks], dtype=np.int64)


def coordinates_key(store: Store, hit_ids: np.ndarray) -> dict[int, int] | None:
    """Return what changes when the stored coordinates of some hits do.

    None if not all of them are stored, as in a store that is read-only.
    """
    checksums = store.coordinates.checksums(projection_version())
    needed = {block + part * PART_KEYS for block in _blocks_of(hit_ids) for part in Part}
    return checksums if checksums.keys() >= needed else None


def _blocks_of(hit_ids: np.ndarray) -> list[int]:
    """Return the numbers of the blocks that hold some hits, ascending."""
    blocks = np.asarray(hit_ids) // BLOCK_IDS
    return blocks[np.flatnonzero(np.diff(blocks, prepend=-1))].tolist()  # `unique` imports numpy.ma


def read_part(store: Store, hit_ids: np.ndarray, part: Part) -> np.ndarray:
    """Return the coordinates of hits in one part; float32, shape (n_dimensions, n).

    Blocks that are not stored, or damaged, are computed and stored.
    """
    version = projection_version()
    revision = store.revision()  # first: what is written meanwhile makes new blocks stale
    joined, missing = _Joined(hit_ids), set(_blocks_of(hit_ids))
    ids_of = store.coordinates.read_ids(version)
    for number, points in store.coordinates.read_points(version, part):
        if number in missing and number in ids_of:
            joined.add(number, ids_of[number], points)
            missing.discard(number)
    new = {number: _make_block(store, number) for number in sorted(missing)}
    if new:
        store.coordinates.save(version, new, revision=revision)
    for number, block in new.items():
        points = block.similar if part == Part.SIMILAR else block.strokes
        joined.add(number, block.hit_ids, points)
    return joined.points


class _Joined:
    """The coordinates of hits in ascending order, put together from blocks."""

    def __init__(self, hit_ids: np.ndarray) -> None:
        self._hit_ids = hit_ids
        self.points = np.zeros((len(ROLES), len(hit_ids)), np.float32)  # until a block is added

    def add(self, number: int, ids: np.ndarray, points: np.ndarray) -> None:
        """Add the coordinates of a block, of which `ids` are all hits."""
        points = points.reshape(-1, max(1, len(ids)))
        if len(points) != len(self.points):
            self.points = np.empty((len(points), len(self._hit_ids)), np.float32)
        ends = np.searchsorted(self._hit_ids, [number * BLOCK_IDS, (number + 1) * BLOCK_IDS])
        to = slice(*ends.tolist())
        self.points[:, to] = points[:, _find_rows(ids, self._hit_ids[to])]


def _make_block(store: Store, block: int) -> Block:
    ids = store.coordinates.ids_of_block(block)
    made = make_spaces(ids, store.hits.embeddings(ids), store.hits.role_probabilities(ids))
    similar = np.concatenate((made.acoustic.T, made.roles.T), dtype=np.float32)
    return Block(ids, similar, made.strokes.T)


def _find_rows(ids: np.ndarray, wanted: np.ndarray) -> np.ndarray | slice:
    """Return the row of each wanted id, all rows if they are the same; raise if one is unknown."""
    if np.array_equal(ids, wanted):
        return slice(None)
    if unknown := set(wanted.tolist()) - set(ids.tolist()):
        raise StoreError(f"hit {min(unknown)} is not in this store")
    return np.searchsorted(ids, wanted)
