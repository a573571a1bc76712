"""The hits of the store beside their coordinates, and roles estimated from the user's examples."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from catalog.library.store.database import digest_to_key
from catalog.library.store.store import Store
from catalog.models import MARK_RANK, ROLES, Hit, Mark, Role, RoleSource, State
from catalog.search.spaces import Spaces, make_spaces

EXAMPLE_RADIUS = 1.2  # in the stroke space; 90 % of nearest strokes of one drum lie within 1.04


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

    def allowed(self, *, no_good: bool = False) -> np.ndarray:
        """Return which rows a search may find, bool, shape (n,): all that are not marked no good.

        With `no_good`, those as well.
        """
        is_good = self.mark_ranks != MARK_RANK[Mark.NO_GOOD]
        return np.ones(len(self.hits), bool) if no_good else is_good


class RoleEstimate(NamedTuple):
    """A new role for a hit."""

    hit_id: int
    role: Role
    confidence: float
    source: RoleSource


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


def roles_from_examples(table: HitTable) -> list[RoleEstimate]:
    """Estimate roles that the user has not set from the nearest hits whose role the user has set.

    Only estimates that change are returned; a hit without an example nearby gets the likeliest
    role by sound.
    """
    sources = np.array([hit.role_source for hit in table.hits])
    is_estimated = (sources == RoleSource.SOUND) | (sources == RoleSource.EXAMPLE)
    examples, estimated = np.flatnonzero(sources == RoleSource.USER), np.flatnonzero(is_estimated)
    if not len(estimated) or not (len(examples) or (sources == RoleSource.EXAMPLE).any()):
        return []
    points = table.spaces.strokes
    example_roles = np.array([ROLES.index(table.hits[row].role) for row in examples], int)
    roles, confidences = nearest_example_roles(
        points[estimated], points[examples], example_roles, radius=EXAMPLE_RADIUS
    )
    changed = []
    for row, role, confidence in zip(estimated, roles, confidences, strict=True):
        hit, source = table.hits[row], RoleSource.EXAMPLE
        if role < 0 and hit.tied and hit.role_source == RoleSource.SOUND:
            continue  # the vote of all its microphones stays
        if role < 0:
            role, source = int(table.spaces.roles[row].argmax()), RoleSource.SOUND
            confidence = table.spaces.roles[row][role]
        if (hit.role, hit.role_source) != (ROLES[role], source):
            changed.append(RoleEstimate(hit.id, ROLES[role], float(confidence), source))
    return changed


def nearest_example_roles(
    points: np.ndarray, examples: np.ndarray, example_roles: np.ndarray, *, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give each point the role of its nearest example within `radius`.

    Parameters
    ----------
    points : np.ndarray, float32, shape (n, n_dims)
    examples : np.ndarray, float32, shape (n_examples, n_dims)
    example_roles : np.ndarray, int, shape (n_examples,)

    Returns
    -------
    roles : np.ndarray, int, shape (n,), -1 without an example within `radius`
    confidence : np.ndarray, float, shape (n,), 1 at an example, 0.5 at the radius, 0 beyond
    """
    roles = np.full(len(points), -1)
    nearest = np.full(len(points), np.inf)
    for example, role in zip(examples, example_roles, strict=True):
        difference = points - example
        distance = np.sqrt(np.einsum("ij,ij->i", difference, difference, dtype=np.float64))
        closer = distance < nearest
        nearest[closer], roles[closer] = distance[closer], role
    roles[nearest > radius] = -1
    return roles, np.where(nearest <= radius, 1.0 - 0.5 * nearest / radius, 0.0)
