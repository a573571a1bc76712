"""The coordinates of the hits of a store, computed only for hits that were measured since."""

from __future__ import annotations

import zlib
from functools import lru_cache

import numpy as np

from catalog.errors import StoreError
from catalog.library.store.records.coordinates import BLOCK_IDS, Block
from catalog.library.store.store import Store
from catalog.models import ROLES
from catalog.search.spaces import SPACES_FILE, Spaces, make_spaces, read_sizes

LAYOUT_VERSION = 2  # of the columns of a block: stroke space, acoustic space, role probabilities


@lru_cache(maxsize=1)
def projection_version() -> int:
    """Return a number that changes with the shipped projection."""
    return zlib.crc32(SPACES_FILE.read_bytes(), LAYOUT_VERSION)


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
    version = projection_version()
    revision = store.revision()  # first: what is written meanwhile makes new blocks stale
    blocks = store.coordinates.read(version)
    needed = np.unique(hit_ids // BLOCK_IDS).tolist()
    new = {block: _make_block(store, block) for block in needed if block not in blocks}
    if new:
        store.coordinates.save(version, new, revision=revision)
    return _join({block: (blocks | new)[block] for block in needed}, hit_ids)


def coordinates_key(store: Store, hit_ids: np.ndarray) -> dict[int, int] | None:
    """Return what changes when the stored coordinates of some hits do.

    None if not all of them are stored, as in a store that is read-only.
    """
    checksums = store.coordinates.checksums(projection_version())
    needed = np.unique(hit_ids // BLOCK_IDS).tolist()
    return checksums if checksums.keys() >= set(needed) else None


def _make_block(store: Store, block: int) -> Block:
    ids = store.coordinates.ids_of_block(block)
    made = make_spaces(ids, store.hits.embeddings(ids), store.hits.role_probabilities(ids))
    parts = (made.strokes.T, made.acoustic.T, made.roles.T)
    return Block(ids, np.concatenate(parts, dtype=np.float32))


def _join(blocks: dict[int, Block], hit_ids: np.ndarray) -> Spaces:
    """Return the spaces of some hits, ascending, from the blocks that hold them all."""
    n_acoustic, role_median = read_sizes()
    n_strokes = max((len(block.points) for block in blocks.values()), default=0)
    n_strokes = max(0, n_strokes - n_acoustic - len(ROLES))
    n = len(hit_ids)
    strokes = np.empty((n, n_strokes), np.float32, order="F")  # see `make_spaces`
    acoustic = np.empty((n, n_acoustic), np.float32)
    roles = np.empty((n, len(ROLES)), np.float32)
    for number, (ids, points) in blocks.items():
        ends = np.searchsorted(hit_ids, [number * BLOCK_IDS, (number + 1) * BLOCK_IDS])
        to = slice(*ends.tolist())
        rows = _find_rows(ids, hit_ids[to])
        strokes.T[:, to] = points[:n_strokes, rows]
        acoustic.T[:, to] = points[n_strokes : n_strokes + n_acoustic, rows]
        roles.T[:, to] = points[n_strokes + n_acoustic :, rows]
    return Spaces(np.asarray(hit_ids, np.int64), strokes, acoustic, roles, role_median)


def _find_rows(ids: np.ndarray, wanted: np.ndarray) -> np.ndarray | slice:
    """Return the row of each wanted id, all rows if they are the same; raise if one is unknown."""
    if np.array_equal(ids, wanted):
        return slice(None)
    if unknown := set(wanted.tolist()) - set(ids.tolist()):
        raise StoreError(f"hit {min(unknown)} is not in this store")
    return np.searchsorted(ids, wanted)
