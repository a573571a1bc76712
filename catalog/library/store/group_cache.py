"""The groups of copies found last, so that they are found again only after a change."""

from __future__ import annotations

import json
from collections.abc import Sequence

from catalog.library.store.database import Database

CachedGroup = tuple[int, tuple[tuple[int, str, float], ...]]
"""Id of the hit to keep, then id, relation and evidence (0 to 1) of each other one."""


class GroupCache:
    """The one list of groups that is stored."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def save(self, groups: Sequence[CachedGroup], *, key: int) -> None:
        """Store groups, with a key of what they were found in."""
        with self._database.writing(changes_hits=False) as db:
            db.execute("INSERT OR REPLACE INTO copies VALUES (1, ?, ?)", (json.dumps(groups), key))

    def read(self) -> tuple[list[CachedGroup], int] | None:
        """Return the groups and their key; None if none were stored."""
        rows = self._database.read("SELECT payload, revision FROM copies")
        if not rows:
            return None
        payload, key = rows[0]
        groups = json.loads(payload)
        return [(keep, tuple((i, r, e) for i, r, e in others)) for keep, others in groups], key
