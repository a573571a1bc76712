"""The hits of the store beside their coordinates."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from catalog.library.store.database import digest_to_key
from catalog.library.store.store import Store
from catalog.models import MARK_RANK, Hit, Mark, State
from catalog.search.spaces import Spaces, make_spaces


@dataclass(frozen=True, eq=False)
class HitTable:
    """Hits in state "here"; row i is the same hit in `hits` and in `spaces`."""

    revision: int  # of the store
    content_key: int  # see `content_key`
    hits: tuple[Hit, ...]  # by id
    rows: Mapping[int, int]  # by hit id
    spaces: Spaces

    @cached_property
    def mark_ranks(self) -> np.ndarray:
        """Rank of the mark of each hit, the best first; int, shape (n,)."""
        return np.fromiter((MARK_RANK[hit.mark] for hit in self.hits), int, len(self.hits))

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
    """Read the table, reusing what has not changed since `known` was read.

    A stroke is one row; with `microphones` each of its microphones is one. Return `known` itself if
    the store has not changed.
    """
    revision = store.revision()
    if known is not None and known.revision == revision:
        return known
    hits = tuple(store.hits.read(states=(State.HERE,), microphones=microphones))
    key = content_key(hits)
    if known is not None and known.content_key == key:
        return replace(known, revision=revision, hits=hits)
    ids = np.array([hit.id for hit in hits], np.int64)
    spaces = make_spaces(ids, store.hits.embeddings(ids), store.hits.role_probabilities(ids))
    rows = {hit.id: row for row, hit in enumerate(hits)}
    return HitTable(revision, key, hits, rows, spaces)


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
