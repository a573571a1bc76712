"""Waveform outlines of long takes, kept from their scan; a lost one is read from the file again."""

from __future__ import annotations

import sqlite3

import numpy as np

from catalog.features.measures import Outline
from catalog.library.store.database import Database


def write_outline(db: sqlite3.Connection, content_hash: str, outline: Outline) -> None:
    """Store the outline of a recording, and delete those of recordings that have no hits."""
    db.execute("DELETE FROM outline WHERE content_hash NOT IN (SELECT content_hash FROM hit)")
    blob = np.asarray(outline.levels, dtype="<f4").tobytes()
    row = (content_hash, outline.n_frames, outline.section_frames, blob)
    db.execute("INSERT OR REPLACE INTO outline VALUES (?, ?, ?, ?)", row)


def read_outline(database: Database, content_hash: str) -> Outline | None:
    """Return the outline of the file with this content; None of a short file."""
    sql = "SELECT n_frames, section_frames, levels FROM outline WHERE content_hash = ?"
    rows = database.read(sql, (content_hash,))
    if not rows:
        return None
    n_frames, section_frames, blob = rows[0]
    return Outline(n_frames, section_frames, np.frombuffer(blob, "<f4").reshape(-1, 2))
