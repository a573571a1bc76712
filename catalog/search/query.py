"""Queries and the two searches: other strokes of the same drum, and similar hits from anywhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, ParameterError
from catalog.features.measure import Measures, measure_audio
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.scan.walk import hash_file
from catalog.models import ROLES, Hit, RoleSource, State
from catalog.search.constraints import But, apply_wishes, read_wishes
from catalog.search.matches import Match, make_matches
from catalog.search.neighbors import alike_candidates, rank_rows, stroke_candidates
from catalog.search.spaces import ALL, Rows, alike_to, make_spaces, stroke_distances
from catalog.search.table import HitTable


@dataclass(frozen=True, eq=False)
class Query:
    """A point to search from.

    Attributes
    ----------
    alike : np.ndarray, shape (n_plain,)
    roles : np.ndarray, shape (n_roles,), role probabilities from sound
    hit : Hit
        one of the table, or of id 0 for a file outside: no session, its role guessed from sound
    row : int or None, in the table
    """

    alike: np.ndarray
    roles: np.ndarray
    hit: Hit
    row: int | None = None

    @property
    def descriptors(self) -> Mapping[str, float]:
        """The numbers of the hit."""
        return self.hit.descriptors

    @property
    def session(self) -> str:
        """Where the hit comes from; "" for a file outside."""
        return self.hit.session

    def distances(self, table: HitTable, among: Rows = ALL) -> np.ndarray:
        """How alike every hit of the table is, or those in some rows; float64, shape (n,)."""
        return alike_to(table.spaces, self.alike, self.roles, among)


def query_row(table: HitTable, row: int) -> Query:
    """Search from a hit of the table."""
    spaces, hit = table.spaces, table.hits[row]
    return Query(spaces.alike[row], spaces.roles[row], hit, row)


def query_file(path: Path) -> Query:
    """Search from a file that holds one hit, such as a phone's recording.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Query

    Raises
    ------
    AudioError
        if it cannot be read or holds no stroke
    """
    audio = decode_file(path)
    try:
        measures = measure_audio(audio)
    except ParameterError as err:
        raise AudioError(path, str(err)) from err
    roles = role_probabilities(measures.embedding)
    spaces = make_spaces(np.zeros(1, np.int64), measures.embedding[None], roles)
    return Query(spaces.alike[0], roles[0], _outside_hit(path, audio, measures, roles[0]))


def _outside_hit(path: Path, audio: Audio, measures: Measures, roles: np.ndarray) -> Hit:
    guess = int(roles.argmax())
    return Hit(
        id=0,
        path=path.absolute(),
        start=measures.start,
        stop=measures.stop,
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        session="",
        drum="",
        microphone="",
        take="",
        role=ROLES[guess],
        role_confidence=float(roles[guess]),
        role_source=RoleSource.SOUND,
        descriptors={name: float(value) for name, value in measures.descriptors.items()},
        container=audio.container,
        subtype=audio.subtype,
        content_hash=hash_file(path),
        state=State.OUTSIDE,
    )


def find_alternates(table: HitTable, row: int, *, n: int | None) -> list[Match]:
    """Find the hits most likely to be other strokes of the same drum.

    Parameters
    ----------
    table : HitTable
    row : int, of the hit searched from
    n : int or None, how many; None for every other hit

    Returns
    -------
    list of Match, nearest first

    Raises
    ------
    ParameterError
        if `n` is below 1
    """
    allowed = np.ones(len(table.hits), bool)
    allowed[row] = False
    rows = stroke_candidates(table.spaces, row, allowed=allowed, n=n)
    distances = stroke_distances(table.spaces, row, rows)
    return _ranked(table, table.hits[row], rows, distances, allowed=allowed, n=n)


def find_similar(
    table: HitTable,
    query: Query,
    *,
    n: int | None,
    role: str | None = None,
    elsewhere: bool = False,
    but: But | None = None,
) -> list[Match]:
    """Find the hits that sound most alike, from any session.

    Parameters
    ----------
    table : HitTable
    query : Query
    n : int or None, how many; None for every other hit
    role : str, optional, only hits of this role
    elsewhere : bool, only hits of other sessions
    but : see `catalog.search.constraints`, optional
        only hits that differ in this way

    Returns
    -------
    list of Match, nearest first

    Raises
    ------
    ParameterError
        if `n` is below 1, the role is unknown, or `but` is not understood
    """
    if role is not None and role not in ROLES:
        raise ParameterError(f"role={role!r} must be one of {', '.join(ROLES)}")
    allowed = np.ones(len(table.hits), bool)
    if role is not None:
        allowed &= np.fromiter((hit.role == role for hit in table.hits), bool)
    if elsewhere and query.session:
        allowed &= np.fromiter((hit.session != query.session for hit in table.hits), bool)
    if query.row is not None:
        allowed[query.row] = False
    if but is None:
        rows = alike_candidates(table.spaces, query.alike, query.roles, allowed=allowed, n=n)
        distances = query.distances(table, rows)
    else:
        wishes, rows = read_wishes(but, query.descriptors), np.arange(len(allowed))
        moved, distances = apply_wishes(
            wishes, query.descriptors, table.hits, query.distances(table)
        )
        allowed &= moved
    return _ranked(table, query.hit, rows, distances, allowed=allowed, n=n)


def _ranked(
    table: HitTable,
    query_hit: Hit,
    rows: np.ndarray,
    distances: np.ndarray,
    *,
    allowed: np.ndarray,
    n: int | None,
) -> list[Match]:
    best = rank_rows(table.spaces.hit_ids[rows], distances, allowed=allowed[rows], n=n)
    return make_matches(query_hit, table.hits, rows=rows[best], distances=distances[best])
