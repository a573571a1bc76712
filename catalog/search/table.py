"""All hits of one state of the store beside their points, and what the user's examples teach."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from catalog.library.store.hits import Store
from catalog.models import ROLES, Hit, Role, RoleSource, State
from catalog.search.spaces import Spaces, make_spaces

EXAMPLE_RADIUS = 1.2  # in the stroke space: nine of ten nearest strokes of one drum lie within 1.04


@dataclass(frozen=True, eq=False)
class HitTable:
    """Row i is the same hit in `hits` and in `spaces`.

    Attributes
    ----------
    revision : int, of the store
    sound_key : int
        digest of which hits there are and what they hold; a change of roles leaves it alone
    hits : tuple of Hit, that are here, in the order of their ids
    rows : mapping of hit id to row
    spaces : Spaces
    """

    revision: int
    sound_key: int
    hits: tuple[Hit, ...]
    rows: Mapping[int, int]
    spaces: Spaces


class JudgedRole(NamedTuple):
    """A role to be written, and where it comes from."""

    hit_id: int
    role: Role
    confidence: float
    source: RoleSource


def read_table(store: Store, known: HitTable | None = None) -> HitTable:
    """Read what has changed since `known`.

    Parameters
    ----------
    store : Store
    known : HitTable, optional, read before

    Returns
    -------
    HitTable
        `known` itself if the store has not changed
    """
    revision = store.revision()
    if known is not None and known.revision == revision:
        return known
    hits = tuple(store.hits(states=(State.HERE,)))
    key = sound_key(hits)
    if known is not None and known.sound_key == key:
        return replace(known, revision=revision, hits=hits)
    ids = np.array([hit.id for hit in hits], np.int64)
    spaces = make_spaces(ids, store.embeddings(ids), store.role_probabilities(ids))
    rows = {hit.id: row for row, hit in enumerate(hits)}
    return HitTable(revision, key, hits, rows, spaces)


def sound_key(hits: Iterable[Hit]) -> int:
    """Digest of which hits there are and what they hold; 63 bits, as SQLite keeps integers."""
    digest = hashlib.sha256()
    for hit in hits:
        digest.update(f"{hit.id} {hit.content_hash} {hit.start} {hit.stop}\n".encode())
    return int.from_bytes(digest.digest()[:8], "big") >> 1


def roles_by_example(table: HitTable) -> list[JudgedRole]:
    """Judge roles that are guesses by the hits whose role the user said.

    Parameters
    ----------
    table : HitTable

    Returns
    -------
    list of JudgedRole
        those that change; a hit that no example is near to any more goes back to its sound
    """
    sources = np.array([hit.role_source for hit in table.hits])
    said = np.flatnonzero(sources == RoleSource.USER)
    guessed = np.flatnonzero((sources == RoleSource.SOUND) | (sources == RoleSource.EXAMPLE))
    if not len(guessed) or not (len(said) or (sources == RoleSource.EXAMPLE).any()):
        return []
    points = table.spaces.strokes
    example_roles = np.array([ROLES.index(table.hits[row].role) for row in said], int)
    roles, sure = spread_roles(points[guessed], points[said], example_roles, radius=EXAMPLE_RADIUS)
    changed = []
    for row, role, confidence in zip(guessed, roles, sure, strict=True):
        hit, by_sound = table.hits[row], table.spaces.roles[row]
        if role < 0:
            guess = int(by_sound.argmax())
            new = JudgedRole(hit.id, ROLES[guess], float(by_sound[guess]), RoleSource.SOUND)
        else:
            new = JudgedRole(hit.id, ROLES[role], float(confidence), RoleSource.EXAMPLE)
        if (hit.role, hit.role_source) != (new.role, new.source):
            changed.append(new)
    return changed


def spread_roles(
    points: np.ndarray, examples: np.ndarray, example_roles: np.ndarray, *, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give each hit the role of its nearest example, if that is near enough.

    Parameters
    ----------
    points : np.ndarray, float32, shape (n, n_dims), hits whose role is guessed
    examples : np.ndarray, float32, shape (n_examples, n_dims), hits whose role the user said
    example_roles : np.ndarray, int, shape (n_examples,)
    radius : float, distance within which strokes usually belong to one drum

    Returns
    -------
    roles : np.ndarray, int, shape (n,), -1 where no example is near
    confidence : np.ndarray, float, shape (n,), 1 at an example, 0.5 at the radius
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
