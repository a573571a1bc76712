"""Estimate the roles that neither the user nor a name gives, from the hits where they do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from catalog.models import ROLES, Role, RoleSource
from catalog.search.roles.classification import RoleProcess, Sounds, fit_process
from catalog.search.roles.known import KnownHits, read_known
from catalog.search.roles.names import NameDoubt, find_doubts, folder_reliability
from catalog.search.roles.pooling import pool_drums, settle_takes
from catalog.search.table import HitTable

LEAST_EFFECT = 0.05  # change of a probability from which a role counts as estimated from examples
N_DIGITS = 5  # of a stored confidence: the iteration that finds it ends nearer than that
LEAST_CHANGE = 0.1  # of a confidence, from which it is stored again
LEAST_STEP = 0.02  # of the reliability of a folder's names, from which roles are estimated again


class RoleEstimate(NamedTuple):
    """A new role for a hit."""

    hit_id: int
    role: Role
    confidence: float
    source: RoleSource


@dataclass(frozen=True, eq=False)
class LearnedRoles:
    """Role probabilities of all hits of a library, from all that is known of them."""

    known: KnownHits
    process: RoleProcess
    chances: np.ndarray  # shape (n, n_roles), without the effect of each hit's own known role
    joined: np.ndarray  # shape (n, n_roles), with the other strokes of each drum and take

    def changes(self) -> list[RoleEstimate]:
        """Return the estimates that differ from what is stored; known roles never change."""
        is_open = np.flatnonzero(self.known.is_open).tolist()
        found = [self._estimate(row) for row in is_open]
        return [new for new, row in zip(found, is_open, strict=True) if self._is_new(row, new)]

    def doubts(self) -> list[NameDoubt]:
        """Return the hits whose names contradict their sounds."""
        return find_doubts(self.known, self.chances)

    @cached_property
    def _effect(self) -> np.ndarray:
        """Greatest change of a probability of each hit against the shipped model."""
        return np.asarray(np.abs(self.joined - self.process.sounds.prior).max(axis=1))

    def _is_new(self, row: int, new: RoleEstimate) -> bool:
        known = self.known
        before = ROLES[known.roles[row]], known.sources[row]
        step = abs(new.confidence - known.confidence[row])
        return before != (new.role, new.source) or step > LEAST_CHANGE

    def _estimate(self, row: int) -> RoleEstimate:
        """Return the likeliest role; the vote of the microphones of a stroke stays if it can."""
        known, prior = self.known, self.process.sounds.prior[row]
        hit_id, is_taught = int(known.ids[row]), self._is_taught(row)
        if not is_taught and known.is_tied[row] and known.sources[row] == RoleSource.SOUND:
            role, confidence = ROLES[known.roles[row]], float(known.confidence[row])
            return RoleEstimate(hit_id, Role(role), confidence, RoleSource.SOUND)
        shares = self.joined[row] if is_taught else prior
        best = int(shares.argmax())
        if not is_taught:
            return RoleEstimate(hit_id, ROLES[best], float(shares[best]), RoleSource.SOUND)
        confidence = round(float(shares[best]), N_DIGITS)
        return RoleEstimate(hit_id, ROLES[best], confidence, RoleSource.EXAMPLE)

    def _is_taught(self, row: int) -> bool:
        return bool(len(self.process.examples.rows) and self._effect[row] > LEAST_EFFECT)


def learn_roles(
    table: HitTable, *, learns: bool = True, reliability: Mapping[str, float] | None = None
) -> LearnedRoles:
    """Estimate the roles of all hits of a table.

    Roles that the user gave count most, those of names as far as the names of their folder fit
    the sounds of clear hits.

    Parameters
    ----------
    table : HitTable
    learns : bool, False to estimate by the shipped model alone
    reliability : mapping of str to float, optional
        of the names of folders, as found before; the roles are estimated twice where it differs
        from what is found now
    """
    from threadpoolctl import threadpool_limits

    spaces = table.spaces
    known = read_known(table.store, spaces.hit_ids)
    sounds = Sounds(spaces.strokes, spaces.acoustic, np.asarray(spaces.roles, np.float64))
    with threadpool_limits(1):  # many short products, which threads only slow down
        if not learns:
            process = fit_process(sounds, known.examples().first(0))
            return LearnedRoles(known, process, process.probabilities(), sounds.prior)
        return _learn(sounds, replace(known, reliability=dict(reliability or {})))


def _learn(sounds: Sounds, known: KnownHits) -> LearnedRoles:
    process = fit_process(sounds, known.examples())
    chances = _without_own(process)
    found = folder_reliability(known, chances)
    if differs(found, known.reliability):
        known = replace(known, reliability=found)
        process = fit_process(sounds, known.examples(), start=process.weights)
        chances = _without_own(process)
    return LearnedRoles(known, process, chances, join(chances, known, process))


def differs(found: Mapping[str, float], before: Mapping[str, float]) -> bool:
    """Return whether the reliability of a folder has changed by more than `LEAST_STEP`."""
    folders = found.keys() | before.keys()
    return any(abs(found.get(f, 1.0) - before.get(f, 1.0)) > LEAST_STEP for f in folders)


def _without_own(process: RoleProcess) -> np.ndarray:
    chances = process.probabilities()
    if len(process.examples.rows):
        chances[process.examples.rows] = process.left_out()
    return chances


def join(chances: np.ndarray, known: KnownHits, process: RoleProcess) -> np.ndarray:
    """Return the probabilities joined over drums and takes; those of the sound without examples."""
    if not len(process.examples.rows):
        return process.sounds.prior
    roles = np.where(known.is_open, -1, known.roles)
    return settle_takes(pool_drums(chances, known.drum_groups, roles), known.take_groups)


def estimated_probabilities(process: RoleProcess, groups: Sequence[np.ndarray]) -> np.ndarray:
    """Return the probabilities of a fitted process, joined with the other strokes of each drum.

    Parameters
    ----------
    process : RoleProcess
    groups : sequence of np.ndarray of int, rows of each drum

    Returns
    -------
    np.ndarray, float64, shape (n, n_roles); rows sum to 1
    """
    known = np.full(len(process.sounds), -1)
    known[process.examples.rows] = process.examples.roles
    return pool_drums(process.probabilities(), groups, known)
