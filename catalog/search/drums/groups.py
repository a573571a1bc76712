"""Hits that are likely strokes of one drum, as groups for the user to name.

Hits of one session are joined by average linkage of their distances by place and shared neighbors,
up to a limit at which nearly every group is of one drum.
"""

from __future__ import annotations

import zlib
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from catalog.search.drums.shared_neighbors import (
    neighbor_weights,
    pairwise_distances,
    rank_distances,
)

LIMIT = 0.65  # mean distance between the parts of a group; see `tests/bench/RESULTS.md`
MIN_HITS = 3  # of a group; two alike are often a copy or a chance
MAX_AT_ONCE = 2000  # hits of one session that are compared; more are divided by role
N_VOTERS = 5  # nearest hits of known damping that must agree

Joined = list[tuple[np.ndarray, np.ndarray]]
"""Rows of a session that are one group, and the mean distance of each from the others."""


@dataclass(frozen=True)
class DrumGroup:
    """Hits that look like strokes of one drum."""

    hit_ids: tuple[int, ...]  # the most typical first
    session: str
    role: str  # that most of them have
    damping: str  # "open" or "damped", from the words of others; "" if nothing tells


@dataclass(frozen=True, eq=False)
class Candidates:
    """Hits that may be grouped; row i is the same hit in all parts."""

    hit_ids: np.ndarray  # int64, shape (n,)
    # shape (n, n_dims), in the shipped stroke space: the learned one joins drums that are alike
    points: np.ndarray
    sessions: Sequence[str]
    roles: Sequence[str]
    drums: Sequence[str]  # "" where no name shows a drum of several strokes
    dampings: Sequence[str]  # "open", "damped" or ""


def find_drum_groups(hits: Candidates, known: dict[int, Joined] | None = None) -> list[DrumGroup]:
    """Return groups of hits that are not named, the largest first.

    `known` keeps what was computed of each session for the next call.
    """
    known = {} if known is None else known
    groups = []
    for rows in _parts(hits):
        key = zlib.crc32(hits.hit_ids[rows].tobytes(), zlib.crc32(hits.points[rows].tobytes()))
        if key not in known:
            known[key] = _join(mutual_distances(hits.points[rows]))
        groups += [_describe(hits, rows[members], mean) for members, mean in known[key]]
    return sorted(groups, key=lambda group: (-len(group.hit_ids), group.hit_ids[0]))


def mutual_distances(points: np.ndarray) -> np.ndarray:
    """Return the distances by place and shared neighbors between all points, symmetric.

    They are those of `shared_neighbors`, with all points as the pool.
    """
    distances = pairwise_distances(np.asarray(points, np.float64))
    weights = neighbor_weights(distances)
    shared = np.empty_like(distances)
    for row, own in enumerate(weights):
        columns = np.flatnonzero(own)
        least = np.minimum(own[columns], weights[:, columns]).sum(axis=1)
        shared[row] = 1.0 - least / (2.0 - least)
    mixed = rank_distances(distances, shared)
    return np.asarray((mixed + mixed.T) / 2.0)


def _parts(hits: Candidates) -> list[np.ndarray]:
    """Return the rows of each session; of each role of a session with very many hits."""
    parts: dict[tuple[str, ...], list[int]] = defaultdict(list)
    count = Counter(hits.sessions)
    for row, (session, role) in enumerate(zip(hits.sessions, hits.roles, strict=True)):
        if not hits.drums[row]:
            parts[(session,) if count[session] <= MAX_AT_ONCE else (session, role)].append(row)
    return [np.array(rows[:MAX_AT_ONCE]) for rows in parts.values() if len(rows) >= MIN_HITS]


def _join(distances: np.ndarray) -> Joined:
    """Return the rows of each group of at least `MIN_HITS`, by average linkage up to `LIMIT`.

    With each comes the mean distance of its hits from the others of the group.
    """
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    np.fill_diagonal(distances, 0.0)
    tree = linkage(squareform(distances, checks=False), "average")
    labels = fcluster(tree, LIMIT, "distance")
    groups = [np.flatnonzero(labels == label) for label in np.unique(labels)]
    large = [rows for rows in groups if len(rows) >= MIN_HITS]
    return [(rows, distances[np.ix_(rows, rows)].mean(axis=0)) for rows in large]


def _describe(hits: Candidates, rows: np.ndarray, mean_distances: np.ndarray) -> DrumGroup:
    typical = np.lexsort((hits.hit_ids[rows], mean_distances))
    return DrumGroup(
        hit_ids=tuple(hits.hit_ids[rows[typical]].tolist()),
        session=hits.sessions[rows[0]],
        role=Counter(hits.roles[row] for row in rows).most_common(1)[0][0],
        damping=_damping(hits, rows),
    )


def _damping(hits: Candidates, rows: np.ndarray) -> str:
    """Return the damping that the words of a group agree in, else that of hits which are near.

    Near hits of the same role and session count if there are both open and damped ones, and the
    nearest agree.
    """
    own = {hits.dampings[row] for row in rows} - {""}
    if own:
        return own.pop() if len(own) == 1 else ""
    roles, session = {hits.roles[row] for row in rows}, hits.sessions[rows[0]]
    known = [
        row
        for row, damping in enumerate(hits.dampings)
        if damping and hits.roles[row] in roles and hits.sessions[row] == session
    ]
    if len({hits.dampings[row] for row in known}) < 2 or len(known) < N_VOTERS:
        return ""
    center = hits.points[rows].mean(axis=0)
    near = np.argsort(np.linalg.norm(hits.points[known] - center, axis=1), kind="stable")
    votes = {hits.dampings[known[k]] for k in near[:N_VOTERS]}
    return votes.pop() if len(votes) == 1 else ""


def without_refused(
    groups: Sequence[DrumGroup], refused: Sequence[Sequence[int]]
) -> list[DrumGroup]:
    """Return groups that the user has not refused: most of whose hits are in no refused one."""
    sets = [set(ids) for ids in refused]
    return [
        group
        for group in groups
        if all(2 * len(ids & set(group.hit_ids)) <= len(group.hit_ids) for ids in sets)
    ]
