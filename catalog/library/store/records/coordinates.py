"""Coordinates of the hits in the search spaces, kept so that a search need not compute them.

They are stored for blocks of consecutive ids, because reading a few large values takes a hundredth
of the time that reading a row for each hit does. A block is deleted when a hit in it is measured.
"""

from __future__ import annotations

import zlib
from typing import NamedTuple

import numpy as np

from catalog.library.store.database import Database

BLOCK_IDS = 4096  # ids per block


class Block(NamedTuple):
    """The coordinates of all hits whose ids are in one range, in any state."""

    hit_ids: np.ndarray  # int64, shape (n,), ascending
    points: np.ndarray  # float32, shape (n_dimensions, n): the stroke space is used by columns


class Coordinates:
    """Coordinates by block; `version` is that of the maps which made them."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read(self, version: int) -> dict[int, Block]:
        """Return the blocks of one version; those that are damaged are left out."""
        sql = "SELECT block, checksum, hit_ids, points FROM coordinates WHERE version = ?"
        blocks = {}
        for block, checksum, hit_ids, points in self._database.read(sql, (version,)):
            if _checksum(block, version, hit_ids, points) == checksum and len(hit_ids):
                ids = np.frombuffer(hit_ids, "<i8")
                blocks[block] = Block(ids, np.frombuffer(points, "<f4").reshape(-1, len(ids)))
        return blocks

    def checksums(self, version: int) -> dict[int, int]:
        """Return the checksum of each block of one version, without reading the blocks."""
        sql = "SELECT block, checksum FROM coordinates WHERE version = ?"
        return dict(self._database.read(sql, (version,)))

    def save(self, version: int, blocks: dict[int, Block], *, revision: int) -> None:
        """Store blocks that were made at a revision of the store, unless it has changed since.

        Does nothing if the store is read-only.
        """
        if self._database.is_read_only:
            return
        with self._database.writing(changes_hits=False) as db:
            if self._database.revision() != revision:
                return
            for block, (hit_ids, points) in blocks.items():
                ids, values = hit_ids.astype("<i8").tobytes(), points.astype("<f4").tobytes()
                row = (block, version, _checksum(block, version, ids, values), ids, values)
                db.execute("INSERT OR REPLACE INTO coordinates VALUES (?, ?, ?, ?, ?)", row)

    def ids_of_block(self, block: int) -> np.ndarray:
        """Return the ids of all hits with numbers in the range of a block; int64, ascending."""
        sql = "SELECT hit_id FROM numbers WHERE hit_id BETWEEN ? AND ? ORDER BY hit_id"
        first = block * BLOCK_IDS
        rows = self._database.read(sql, (first, first + BLOCK_IDS - 1))
        return np.array([row[0] for row in rows], np.int64)


def _checksum(block: int, version: int, hit_ids: bytes, points: bytes) -> int:
    return zlib.crc32(points, zlib.crc32(hit_ids, zlib.crc32(f"{block} {version}".encode())))
