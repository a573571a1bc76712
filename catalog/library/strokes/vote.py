"""One role for all microphones of a stroke: by the user, by name, or by a vote on the sound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from catalog.library.metadata.roles import RoleEstimate, combine_role
from catalog.library.strokes.represent import distance_class
from catalog.models import Hit, RoleSource

FAR_WEIGHT = 0.5  # of a far microphone's vote; it takes in the other drums and the room
MIN_STROKES = 4  # of a take; fewer give no majority
MAJORITY = 2.0 / 3.0  # share of the strokes of a take that settles the others
SURE = 0.8  # a stroke whose own vote is this sure is not overruled by its take


def vote_on_strokes(
    strokes: Sequence[Sequence[Hit]], probabilities: Mapping[int, np.ndarray]
) -> list[np.ndarray]:
    """Return the role probabilities of strokes from all their microphones and their takes.

    Parameters
    ----------
    strokes : sequence of sequences of Hit, the microphones of each stroke, the main one first
    probabilities : mapping of hit id to np.ndarray, shape (20,), in the order of `ROLES`

    Returns
    -------
    list of np.ndarray, float32, shape (20,), one for each stroke
    """
    votes = [_vote(hits, probabilities) for hits in strokes]
    takes: dict[object, list[int]] = {}
    for number, hits in enumerate(strokes):
        if hits[0].region:
            takes.setdefault((hits[0].path, hits[0].channels), []).append(number)
    for numbers in takes.values():
        _settle_take(votes, numbers)
    return votes


def _vote(hits: Sequence[Hit], probabilities: Mapping[int, np.ndarray]) -> np.ndarray:
    weights = [FAR_WEIGHT if distance_class(hit) > 1 else 1.0 for hit in hits]
    rows = np.stack([probabilities[hit.id] for hit in hits])
    return np.asarray(np.average(rows, axis=0, weights=weights), np.float32)


def _settle_take(votes: list[np.ndarray], numbers: Sequence[int]) -> None:
    """Give the unsure strokes of a take of one drum the role of its majority."""
    best = [int(votes[number].argmax()) for number in numbers]
    role = max(set(best), key=best.count)
    if len(numbers) < MIN_STROKES or best.count(role) < MAJORITY * len(best):
        return
    mean = np.stack([votes[number] for number in numbers]).mean(axis=0)
    for number, own in zip(numbers, best, strict=True):
        if own != role and votes[number].max() < SURE and mean.argmax() == role:
            votes[number] = mean


def stroke_role(hits: Sequence[Hit], probabilities: np.ndarray) -> RoleEstimate:
    """Return the role of a stroke; that by the user wins, then the one by name.

    Of microphones that are named after different drums, the main one decides, which is the first.
    """
    by_user = [hit for hit in hits if hit.role_source == RoleSource.USER]
    if by_user:
        return RoleEstimate(by_user[0].role, 1.0, RoleSource.USER)
    by_name = [hit for hit in hits if hit.role_source == RoleSource.NAME]
    if by_name:
        is_main = by_name[0] is hits[0] and hits[0].region > 0
        best = hits[0] if is_main else max(by_name, key=lambda hit: hit.role_confidence)
        return RoleEstimate(best.role, best.role_confidence, RoleSource.NAME)
    return combine_role(None, probabilities)


def same_roles(hits: Sequence[Hit], role: RoleEstimate) -> bool:
    """Return whether all microphones of a stroke have this role already."""
    return {(h.role, h.role_confidence, h.role_source) for h in hits} == {tuple(role)}
