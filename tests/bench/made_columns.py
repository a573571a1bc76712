"""Make a store of a million hits and more from the columns of a small one.

The rows of a small made library (`made_library.py`) are copied within SQLite, each time with other
ids, paths, sessions and contents. The coordinates of the hits are drawn near those of the small
library, their embeddings too, independently. The copied rows have no checksums.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import numpy as np

from catalog import Catalog
from catalog.library.store.records.coordinates import BLOCK_IDS, Block
from catalog.models import ROLES
from catalog.search.coordinates import projection_version
from catalog.search.spaces import Spaces
from tests.bench.made_library import EMBEDDING_SPREAD, make_library
from tests.bench.queries import name_hits

N_COPIED = 10_000  # hits of the small library
SPREAD = 0.5  # deviation of coordinates, relative to that of the small library
ROLE_SPREAD = 0.3  # deviation of the logarithm of role probabilities


def make_columns(folder: Path, n_hits: int) -> Path:
    """Make a store in an empty folder; `n_hits` is rounded up to a multiple of `N_COPIED`."""
    path = make_library(folder, N_COPIED)
    with Catalog.open(path) as cat:
        name_hits(cat)
        spaces = cat.context.table().spaces
    rng = np.random.default_rng(0)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("PRAGMA synchronous = OFF")
        db.execute("DELETE FROM layout")
        for k in range(1, -(-n_hits // N_COPIED)):
            _copy_rows(db, k)
            _copy_numbers(db, k, rng)
        db.commit()
        db.execute("PRAGMA journal_mode = WAL")
    with Catalog.open(path) as cat:
        _save_coordinates(cat, spaces)
    return path


def _copy_rows(db: sqlite3.Connection, k: int) -> None:
    """Copy the rows of the small library for the `k`-th time."""
    new_id, session = f"id + {k * N_COPIED}", f"session || ' {k}'"
    _copy(db, "hit", {
        "id": new_id, "path": f"'/{k}' || path", "session": session,
        "content_hash": f"printf('%064x', {new_id})", "tags": "'[]'",
    }, key="id")  # fmt: skip
    for table in ("hit_search", "hit_words", "fault"):
        change = {"hit_id": f"hit_id + {k * N_COPIED}"}
        change |= {"session": session, "tags": "'[]'"} if table == "hit_search" else {}
        _copy(db, table, change, key="hit_id")


def _copy_numbers(db: sqlite3.Connection, k: int, rng: np.random.Generator) -> None:
    """Copy the embeddings, each with noise: hits with equal ones would be compared as copies."""
    sql = "SELECT hit_id, picture, production, role_probabilities FROM numbers WHERE hit_id <= ?"
    rows = db.execute(sql, (N_COPIED,)).fetchall()
    n_numbers = len(rows[0][1]) // 2
    noise = rng.normal(0, EMBEDDING_SPREAD, n_numbers * 3)  # a part of it for each hit
    starts = rng.integers(2 * n_numbers, size=len(rows)).tolist()
    made = (
        (hit_id + k * N_COPIED, _add(picture, noise[at : at + n_numbers]), *rest)
        for (hit_id, picture, *rest), at in zip(rows, starts, strict=True)
    )
    db.executemany("INSERT INTO numbers VALUES (?, ?, ?, ?)", made)


def _add(picture: bytes, noise: np.ndarray) -> bytes:
    return (np.frombuffer(picture, "<f2") + noise).astype("<f2").tobytes()


def _copy(db: sqlite3.Connection, table: str, change: Mapping[str, str], *, key: str) -> None:
    columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
    values = ", ".join(change.get(column, f'"{column}"') for column in columns)
    where = f"{key} <= {N_COPIED}"
    db.execute(f"INSERT INTO {table} SELECT {values} FROM {table} WHERE {where}")


def _save_coordinates(cat: Catalog, spaces: Spaces) -> None:
    """Store coordinates near those of the small library for all hits."""
    rng, store = np.random.default_rng(0), cat.context.store
    parts = spaces.strokes, spaces.acoustic
    spreads = [SPREAD * part.std(0) for part in parts]
    for number in range(store.hits.highest_id() // BLOCK_IDS + 1):
        ids = store.coordinates.ids_of_block(number)
        rows = (ids - 1) % N_COPIED
        strokes, acoustic = (
            part[rows] + rng.normal(size=(len(ids), len(spread))) * spread
            for part, spread in zip(parts, spreads, strict=True)
        )
        roles = spaces.roles[rows] * np.exp(ROLE_SPREAD * rng.normal(size=(len(ids), len(ROLES))))
        roles /= roles.sum(1, keepdims=True)
        block = Block(ids, np.concatenate([acoustic.T, roles.T]), strokes.T)
        store.coordinates.save(projection_version(), {number: block}, revision=store.revision())
