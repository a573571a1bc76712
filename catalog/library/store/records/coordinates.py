"""Coordinates of the hits in the search spaces, kept so that a search need not compute them.

They are stored for blocks of consecutive ids, because reading a few large values takes a hundredth
of the time that reading a row for each hit does. Each block has a row for its ids and one for each
space, since a search uses one space. A block is deleted when a hit in it is measured.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator, Mapping
from enum import IntEnum
from typing import NamedTuple

import numpy as np

from catalog.library.store.database import Database

BLOCK_IDS = 4096  # ids per block
PART_KEYS = 1 << 40  # the key of a row is the number of its block plus this times its part


class Part(IntEnum):
    """What one row of a block holds."""

    IDS = 0
    SIMILAR = 1  # acoustic space and role probabilities
    STROKES = 2


class Block(NamedTuple):
    """The coordinates of all hits whose ids are in one range, in any state."""

    hit_ids: np.ndarray  # int64, shape (n,), ascending
    similar: np.ndarray  # float32, shape (n_acoustic + n_roles, n)
    strokes: np.ndarray  # float32, shape (n_strokes, n)


class Coordinates:
    """Coordinates by block; `version` is that of the maps which made them."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def read_ids(self, version: int) -> dict[int, np.ndarray]:
        """Return the ids of each stored block of one version; int64, ascending, shape (n,).

        Blocks that are damaged or lack a part are left out.
        """
        keys = {row[0] for row in self._database.read(*_select("block", version))}
        with self._database.holding() as db:
            rows = list(_whole_rows(db, version, Part.IDS))
        return {
            block: np.frombuffer(values, "<i8")
            for block, values in rows
            if values and {block + part * PART_KEYS for part in Part} <= keys
        }

    def read_points(self, version: int, part: Part) -> Iterator[tuple[int, np.ndarray]]:
        """Yield block and coordinates in one part, float32, flat; damaged blocks are left out.

        They are read one by one, so that not all are in memory twice.
        """
        with self._database.holding() as db:
            for block, values in _whole_rows(db, version, part):
                yield block, np.frombuffer(values, "<f4")

    def checksums(self, version: int) -> dict[int, int]:
        """Return the checksum of each row of one version by its key, without reading the rows."""
        return dict(self._database.read(*_select("block, checksum", version)))

    def save(self, version: int, blocks: Mapping[int, Block], *, revision: int) -> None:
        """Store blocks that were made at a revision of the store, unless it has changed since.

        Does nothing if the store is read-only.
        """
        if self._database.is_read_only:
            return
        with self._database.writing(changes_hits=False) as db:
            if self._database.revision() != revision:
                return
            for number, block in blocks.items():
                for part, values in (
                    (Part.IDS, block.hit_ids.astype("<i8")),
                    (Part.SIMILAR, block.similar.astype("<f4")),
                    (Part.STROKES, block.strokes.astype("<f4")),
                ):
                    data, key = values.tobytes(), number + part * PART_KEYS
                    row = (key, version, _checksum(key, version, data), b"", data)
                    db.execute("INSERT OR REPLACE INTO coordinates VALUES (?, ?, ?, ?, ?)", row)

    def ids_of_block(self, block: int) -> np.ndarray:
        """Return the ids of all hits with numbers in the range of a block; int64, ascending."""
        sql = "SELECT hit_id FROM numbers WHERE hit_id BETWEEN ? AND ? ORDER BY hit_id"
        first = block * BLOCK_IDS
        rows = self._database.read(sql, (first, first + BLOCK_IDS - 1))
        return np.array([row[0] for row in rows], np.int64)


def forget_block(db: sqlite3.Connection, hit_id: int) -> None:
    """Delete the block that a hit is in."""
    keys = [hit_id // BLOCK_IDS + part * PART_KEYS for part in Part]
    db.execute("DELETE FROM coordinates WHERE block IN (?, ?, ?)", keys)


def _select(columns: str, version: int) -> tuple[str, tuple[int]]:
    return f"SELECT {columns} FROM coordinates WHERE version = ?", (version,)


def _whole_rows(db: sqlite3.Connection, version: int, part: Part) -> Iterator[tuple[int, bytes]]:
    """Yield block and contents of the rows of one part whose checksums are right, by block."""
    sql = (
        "SELECT block, checksum, points FROM coordinates WHERE version = ?"
        " AND block >= ? AND block < ? ORDER BY block"
    )
    first = part * PART_KEYS
    for key, checksum, values in db.execute(sql, (version, first, first + PART_KEYS)):
        if _checksum(key, version, values) == checksum:
            yield key - first, values


def _checksum(key: int, version: int, values: bytes) -> int:
    return zlib.crc32(values, zlib.crc32(f"{key} {version}".encode()))
