"""The layout of the map: one position for each hit."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np

from catalog.errors import ParameterError
from catalog.library.store.database import Database, now_utc


class Layouts:
    """The one layout that is stored."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def save(
        self, hit_ids: Sequence[int] | np.ndarray, xy: np.ndarray, *, kind: str, seed: int
    ) -> None:
        """Store a layout in place of the one before.

        Parameters
        ----------
        hit_ids : ints, shape (n,)
        xy : np.ndarray, shape (n, 2), no unit
        kind : str, "umap", "pca" or "placed"
        seed : int, the random seed of the layout

        Raises
        ------
        ParameterError
            if the shapes do not fit
        """
        ids, positions = np.asarray(hit_ids, dtype="<i8"), np.asarray(xy, dtype="<f4")
        if positions.shape != (len(ids), 2):
            raise ParameterError(
                f"xy has shape {positions.shape}; {len(ids)} hits need ({len(ids)}, 2)"
            )
        row = (ids.tobytes(), positions.tobytes(), kind, seed, now_utc())
        with self._database.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO layout VALUES (1, ?, ?, ?, ?, ?)", row)

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
