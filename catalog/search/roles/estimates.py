"""Estimate the roles that neither the user nor a name gives, from the hits where they do."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from catalog.models import ROLES, Hit, Role, RoleSource
from catalog.search.roles.regression import Examples, correct_probabilities
from catalog.search.table import HitTable

LEAST_EFFECT = 0.05  # change of a probability from which a role counts as estimated from examples
TAUGHT_REVISION = "taught_revision"  # setting: revision of the store at the last estimate
ESTIMATED = (RoleSource.SOUND, RoleSource.EXAMPLE)
KNOWN = (RoleSource.USER, RoleSource.NAME)


class RoleEstimate(NamedTuple):
    """A new role for a hit."""

    hit_id: int
    role: Role
    confidence: float
    source: RoleSource


def estimate_roles(table: HitTable) -> list[RoleEstimate]:
    """Estimate the role of each hit that neither the user nor a name gives.

    Return only estimates that change. Roles that the user or a name gave never change.
    """
    hits = list(table.hits)
    sources = np.array([hit.role_source for hit in hits])
    estimated = np.flatnonzero(np.isin(sources, ESTIMATED))
    examples = find_examples(hits)
    if not len(estimated) or not (len(examples.rows) or (sources == RoleSource.EXAMPLE).any()):
        return []
    prior = np.asarray(table.spaces.roles, np.float64)
    groups = drum_groups(hits)
    roles = taught_probabilities(table.spaces.strokes, prior, examples, groups)
    changed = []
    for row in estimated:
        new = _estimate(hits[row], roles[row], prior[row])
        old = hits[row]
        if new is not None and (old.role, old.role_source) != (new.role, new.source):
            changed.append(new)
    return changed


def find_examples(hits: Sequence[Hit]) -> Examples:
    """Return the hits whose role the user or a name gave, except those of role "other"."""
    index = {role: k for k, role in enumerate(ROLES)}
    rows = [
        row for row, hit in enumerate(hits)
        if hit.role_source in KNOWN and hit.role != Role.OTHER
    ]  # fmt: skip
    return Examples(
        np.array(rows, int),
        np.array([index[hits[row].role] for row in rows], int),
        np.array([hits[row].role_source == RoleSource.USER for row in rows], bool),
    )


def drum_groups(hits: Sequence[Hit]) -> list[np.ndarray]:
    """Return the rows of each drum with several finished hits, by the names of their files.

    Strokes of takes are left out: a take may hold several drums.
    """
    groups: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for row, hit in enumerate(hits):
        if hit.drum and not hit.region:
            groups[hit.session, str(hit.path.parent), hit.drum].append(row)
    return [np.array(rows, int) for rows in groups.values() if len(rows) > 1]


def taught_probabilities(
    points: np.ndarray, prior: np.ndarray, examples: Examples, groups: Sequence[np.ndarray]
) -> np.ndarray:
    """Return role probabilities from the sound, the examples and the other strokes of each drum.

    A hit of a drum gets the mean of three: its own probabilities, those of all strokes of the drum,
    and the known roles of the drum, if there are any. An example keeps its own probabilities.

    Parameters
    ----------
    points : np.ndarray, shape (n, n_dims), position in the stroke space
    prior : np.ndarray, shape (n, n_roles), probabilities of the shipped model
    examples : Examples
    groups : sequence of np.ndarray of int, rows of each drum

    Returns
    -------
    np.ndarray, float64, shape (n, n_roles); rows sum to 1
    """
    own = correct_probabilities(points, prior, examples)
    result = own.copy()
    known = np.full(len(points), -1)
    known[examples.rows] = examples.roles
    for rows in groups:
        parts = [own[rows], np.broadcast_to(own[rows].mean(axis=0), own[rows].shape)]
        roles = known[rows][known[rows] >= 0]
        if len(roles):
            share = np.bincount(roles, minlength=prior.shape[1]) / len(roles)
            parts.append(np.broadcast_to(share, own[rows].shape))
        result[rows] = np.mean(parts, axis=0)
    return result


def _estimate(hit: Hit, roles: np.ndarray, prior: np.ndarray) -> RoleEstimate | None:
    """Return the likeliest role; None if a vote of the microphones of a stroke stays."""
    is_taught = np.abs(roles - prior).max() > LEAST_EFFECT
    if not is_taught and hit.tied and hit.role_source == RoleSource.SOUND:
        return None
    chances = roles if is_taught else prior
    role = int(chances.argmax())
    source = RoleSource.EXAMPLE if is_taught else RoleSource.SOUND
    return RoleEstimate(hit.id, ROLES[role], float(chances[role]), source)
