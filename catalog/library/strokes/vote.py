"""One role for all microphones of a stroke: by the user, by name, or by a vote on the sound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from catalog.library.metadata.filename import SEPARATORS
from catalog.library.metadata.microphone_names import is_microphone
from catalog.library.metadata.roles import ROLE_WORDS, RoleEstimate, combine_role, split_words
from catalog.library.strokes.represent import distance_class
from catalog.models import ROLES, Hit, RoleSource

FAR_WEIGHT = 0.5  # of a far microphone's vote; it takes in the other drums and the room
MIN_STROKES = 4  # of a take; fewer give no majority
MAJORITY = 2.0 / 3.0  # share of the strokes of a take that settles the others
TRACK_WEIGHT = 8.0  # of a role that the track of the main microphone names, against other roles
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
    return _role_by_track(hits[0], probabilities) or combine_role(None, probabilities)


def _role_by_track(main: Hit, probabilities: np.ndarray) -> RoleEstimate | None:
    """Return the role by the name of the main microphone's track, if the sound is alike.

    The microphone nearest to a stroke is usually that of its drum, but not for one that has none.
    """
    named = _role_of_track(main)
    if named is None:
        return None
    family = np.array([role.split("_")[0] == named.split("_")[0] for role in ROLES])
    weighted = probabilities * np.where(family, TRACK_WEIGHT, 1.0)
    best = int(weighted.argmax())
    confidence = float(weighted[best] / max(float(weighted.sum()), 1e-9))
    return RoleEstimate(ROLES[best], confidence, RoleSource.NAME) if family[best] else None


def _role_of_track(main: Hit) -> str | None:
    """Return the role that the name of a close microphone's track holds, such as "Kick In"."""
    roles = {ROLE_WORDS[word][0] for word in split_words(main.microphone) if word in ROLE_WORDS}
    is_close = bool(main.channels) and distance_class(main) < 2
    return str(roles.pop()) if is_close and len(roles) == 1 else None


def drum_by_track(main: Hit, role: str) -> str | None:
    """Return the drum of a stroke by the track of its main microphone: "Snare" of "Snare top".

    Return None if the track names no drum of this role, or the name of the file holds a drum.
    """
    named = _role_of_track(main)
    in_file = any(word in ROLE_WORDS for word in split_words(main.path.stem))
    if named is None or in_file or named.split("_")[0] != role.split("_")[0]:
        return None
    words = [word for word in SEPARATORS.split(main.microphone) if word]
    while len(words) > 1 and is_microphone([words[-1]]):
        words.pop()
    return " ".join(words)


def same_roles(hits: Sequence[Hit], role: RoleEstimate) -> bool:
    """Return whether all microphones of a stroke have this role already."""
    return {(h.role, h.role_confidence, h.role_source) for h in hits} == {tuple(role)}
