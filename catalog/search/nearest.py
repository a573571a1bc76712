"""The two searches by sound: other strokes of the same drum, and similar hits from anywhere."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, ParameterError
from catalog.features.measures import Measures
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.scan.walk import hash_file
from catalog.models import ROLES, Hit, RoleSource, State
from catalog.search.constraints import ConstraintSpec, apply_constraints, parse_constraints
from catalog.search.drums.drum_pitch import DrumPitch, pitched
from catalog.search.drums.shared_neighbors import POOL, rank_distances, shared_distances
from catalog.search.matches import Match
from catalog.search.neighbors import prefilter_similar, prefilter_strokes, rank_rows
from catalog.search.spaces import Spaces, make_spaces, similar_distances_to, stroke_distances
from catalog.search.table import HitTable

# Stroke distance below which hits may be copies that no search for copies has found yet: 0.6 of the
# copies among 1,822 open recordings are nearer, and 0.01 of the other nearest hits.
NEARLY_EQUAL = 0.25
NAMED_SHARE = 0.5  # of the distance of strokes whose names show the drum; few names are wrong


@dataclass(frozen=True, eq=False)
class Reference:
    """A hit to search from."""

    acoustic: np.ndarray  # shape (n_acoustic,), see `catalog.search.spaces`
    roles: np.ndarray  # shape (n_roles,), role probabilities from sound
    # one of the table, or of id 0 for a file outside: no session, its role estimated from sound
    hit: Hit
    row: int | None = None  # in the table


def reference_of_row(table: HitTable, row: int) -> Reference:
    """Return the reference for a hit of the table."""
    spaces = table.coordinates.similar
    return Reference(spaces.acoustic[row], spaces.roles[row], table.hits[row], row)


def reference_of_file(path: Path) -> Reference:
    """Return the reference for a file that holds one hit and need not be in the catalog.

    Raise `AudioError` if the file cannot be read or holds no stroke.
    """
    from catalog.features.measure import measure_audio

    audio = decode_file(path)
    try:
        measures = measure_audio(audio)
    except ParameterError as err:
        raise AudioError(path, str(err)) from err
    roles = role_probabilities(measures.embedding)
    spaces = make_spaces(np.zeros(1, np.int64), measures.embedding[None], roles)
    hit = _outside_hit(path, audio=audio, measures=measures, roles=roles[0])
    return Reference(spaces.acoustic[0], roles[0], hit)


def _outside_hit(path: Path, *, audio: Audio, measures: Measures, roles: np.ndarray) -> Hit:
    likeliest = int(roles.argmax())
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
        role=ROLES[likeliest],
        role_confidence=float(roles[likeliest]),
        role_source=RoleSource.SOUND,
        descriptors={name: float(value) for name, value in measures.descriptors.items()},
        container=audio.container,
        subtype=audio.subtype,
        content_hash=hash_file(path),
        state=State.OUTSIDE,
    )


def find_alternates(
    table: HitTable,
    row: int,
    *,
    n: int | None,
    no_good: bool = False,
    left_out: Collection[int] = (),
    spaces: Spaces | None = None,
) -> list[Match]:
    """Find the hits most likely to be other strokes of the same drum.

    The nearest hits are ranked by distance and by the neighbors that they share with the hit, see
    `catalog.search.drums.shared_neighbors`; all others follow by distance. Strokes whose names show
    the drum count as nearer.

    Parameters
    ----------
    row : int, of the hit searched from
    n : int or None, how many; None for every other hit
    no_good : bool, also hits that are marked no good
    left_out : collection of int, ids of hits that are not listed
    spaces : Spaces, optional, of the table, with a learned stroke space; by default the shipped one

    Returns
    -------
    list of Match, nearest first; of equal distances the better mark first

    Raises
    ------
    ParameterError
        if `n` is below 1
    """
    spaces = table.coordinates.strokes if spaces is None else spaces
    allowed = table.allowed(no_good=no_good, left_out=left_out)
    allowed[row] = False
    n_read, named = n if n is None else max(n, POOL), table.same_drum(row)
    near = prefilter_strokes(spaces, row, allowed=allowed, n=n_read)
    rows = np.union1d(near, named[allowed[named]])
    strokes = stroke_distances(spaces, row, rows)
    distances = _drum_distances(spaces, row, rows, strokes=strokes, allowed=allowed)
    distances[np.isin(rows, named)] *= NAMED_SHARE
    best = _rank(table, rows, distances=distances, allowed=allowed, n=n)
    found = _matches(table, table.hits[row], rows[best], distances[best])
    return [
        replace(match, stroke_distance=distance)
        for match, distance in zip(found, strokes[best].tolist(), strict=True)
    ]


def _drum_distances(
    spaces: Spaces, row: int, rows: np.ndarray, *, strokes: np.ndarray, allowed: np.ndarray
) -> np.ndarray:
    """Return the distances of some rows, among them the nearest, by place and shared neighbors."""
    pool = rank_rows(spaces.hit_ids[rows], strokes, allowed=allowed[rows], n=POOL)
    shared = np.ones(len(rows))
    shared[pool] = shared_distances(spaces.strokes[[row, *rows[pool]]])[1:]
    return rank_distances(strokes, shared)


def find_similar(
    table: HitTable,
    reference: Reference,
    *,
    n: int | None,
    role: str | None = None,
    elsewhere: bool = False,
    but: ConstraintSpec | None = None,
    no_good: bool = False,
    left_out: Collection[int] = (),
    pitches: Mapping[int, DrumPitch] | None = None,
) -> list[Match]:
    """Find the hits that sound most alike, from any session.

    Parameters
    ----------
    n : int or None, how many; None for every other hit
    role : str, optional, only hits of this role
    elsewhere : bool, only hits of other sessions
    but : str, sequence of str or mapping, optional
        only hits that differ in this way, see `catalog.search.constraints.parse_constraints`
    no_good : bool, also hits that are marked no good
    left_out : collection of int, ids of hits that are not listed
    pitches : mapping of hit id to DrumPitch, optional
        of the drums of the hits; `body_hz` in `but` is the pitch of the drum, not of the stroke

    Returns
    -------
    list of Match, nearest first; of equal distances the better mark first

    Raises
    ------
    ParameterError
        if `n` is below 1, the role is unknown, or `but` cannot be parsed
    """
    allowed = table.allowed(no_good=no_good, left_out=left_out)
    allowed &= _allowed_rows(table, reference, role=role, elsewhere=elsewhere)
    if not table.hits:
        return []
    spaces, pitches = table.coordinates.similar, pitches or {}
    if but is None:
        rows = prefilter_similar(spaces, reference.acoustic, reference.roles, allowed=allowed, n=n)
        distances = similar_distances_to(spaces, reference.acoustic, reference.roles, rows=rows)
    else:
        rows, start = np.arange(len(allowed)), pitched(reference.hit, pitches)
        meets, distances = apply_constraints(
            parse_constraints(but, start),
            start,
            table.hits,
            distances=similar_distances_to(spaces, reference.acoustic, reference.roles),
            pitches=pitches,
        )
        allowed &= meets
    best = _rank(table, rows, distances=distances, allowed=allowed, n=n)
    return _matches(table, reference.hit, rows[best], distances[best])


def _allowed_rows(
    table: HitTable, reference: Reference, *, role: str | None, elsewhere: bool
) -> np.ndarray:
    if role is not None and role not in ROLES:
        raise ParameterError(f"role={role!r} must be one of {', '.join(ROLES)}")
    allowed = np.ones(len(table.hits), bool)
    if role is not None:
        allowed &= table.matches("role = ?", (role,))
    if elsewhere and reference.hit.session:
        allowed &= table.matches("session != ?", (reference.hit.session,))
    if reference.row is not None:
        allowed[reference.row] = False
    return allowed


def _rank(
    table: HitTable,
    rows: np.ndarray,
    *,
    distances: np.ndarray,
    allowed: np.ndarray,
    n: int | None,
) -> np.ndarray:
    """Return which of some rows are the best, nearest first."""
    return rank_rows(
        table.hit_ids[rows],
        distances,
        allowed=allowed[rows],
        n=n,
        mark_ranks=table.mark_ranks[rows],
    )


def _matches(
    table: HitTable, query_hit: Hit, rows: np.ndarray, distances: np.ndarray
) -> list[Match]:
    found = zip(table.hits.at(rows), distances.tolist(), strict=True)
    return [Match(hit, distance, query_hit) for hit, distance in found]


def find_nearly_equal(table: HitTable, hit_ids: Sequence[int]) -> list[int]:
    """Return those of some hits of the table that sound nearly like another one of them."""
    ids = [hit_id for hit_id in hit_ids if hit_id in table.rows]
    points = table.coordinates.strokes_of([table.rows[hit_id] for hit_id in ids])
    distances = np.linalg.norm(points[:, None] - points, axis=2)
    np.fill_diagonal(distances, np.inf)
    return [
        ids[row] for row in np.flatnonzero(distances.min(axis=1, initial=np.inf) < NEARLY_EQUAL)
    ]
