"""Choose the hits whose roles are most worth naming: those that would change most other estimates.

The uncertainty of a hit is the chance that two draws from its role probabilities differ. An answer
about hit g is expected to change the estimates of the library by about

    u(g) * sum_i |c(i, g)| / c(g, g) * u(i)

with u the uncertainty and c the posterior covariance of the logits given the known hits. Hits that
sound nearly the same are named at once. After each choice c is the covariance given that hit too,
so that several questions do not concern the same hits.

References
----------
B. Settles, "Active Learning Literature Survey", Univ. of Wisconsin-Madison, Computer Sciences
Technical Report 1648, 2009, sections 3.3 (expected model change) and 3.6 (density weighting).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catalog.models import ROLES
from catalog.search.roles.classification import RoleProcess, kernel
from catalog.search.roles.estimates import LearnedRoles

GROUP_RADIUS = 0.9  # in the stroke space, of hits that are named at once
MAX_CANDIDATES = 400  # the least certain hits
MAX_AFFECTED = 4000  # hits whose change is counted
LEAST_UNCERTAINTY = 0.02
ANSWER_NOISE = 0.5  # variance of an answered logit, of 24 before the answer
DOUBTED = 0.5  # uncertainty of a hit whose name contradicts its sound
HALF = 0.5  # covariance, as a share of the variance, from which an answer bears on a hit
N_LIKELY = 4


@dataclass(frozen=True)
class RoleQuestion:
    """A hit, or a tight group of hits, whose role is worth naming."""

    hit_id: int  # the hit in the middle of the group
    hit_ids: tuple[int, ...]  # all of the group, that hit first
    likely: tuple[str, ...]  # roles, the likeliest first
    chances: tuple[float, ...]  # their probabilities
    n_affected: int  # other uncertain hits that the answer bears on


@dataclass(frozen=True, eq=False)
class Choice:
    """Rows of one question: the hit, its group with the hit first, and how many it bears on."""

    row: int
    group: np.ndarray
    n_affected: int


def find_questions(learned: LearnedRoles, n: int) -> list[RoleQuestion]:
    """Return up to `n` questions, the most telling first; the user has named none of the hits."""
    known, joined = learned.known, learned.joined
    uncertainty = impurity(joined)
    vague = known.is_named & (impurity(_with_name(learned)) > LEAST_UNCERTAINTY)
    uncertainty[~(known.is_open | vague)] = 0.0
    doubted = np.isin(known.ids, [doubt.hit_id for doubt in learned.doubts()])
    uncertainty[doubted] = DOUBTED
    return [_describe(learned, choice) for choice in choose(learned.process, uncertainty, n)]


def impurity(chances: np.ndarray) -> np.ndarray:
    """Return the chance that two draws from each row differ (Gini impurity), shape (n,)."""
    return np.asarray(1.0 - np.square(chances).sum(axis=1))


def choose(process: RoleProcess, uncertainty: np.ndarray, n: int) -> list[Choice]:
    """Return up to `n` choices by the expected change of all estimates.

    Parameters
    ----------
    process : RoleProcess
    uncertainty : np.ndarray, shape (n_hits,), from 0 to 1; 0 for a hit that is not to be named
    n : int
    """
    order = np.argsort(-uncertainty, kind="stable")
    order = order[uncertainty[order] > LEAST_UNCERTAINTY]
    rows, candidates = np.sort(order[:MAX_AFFECTED]), np.sort(order[:MAX_CANDIDATES])
    if not len(rows):
        return []
    left = uncertainty[rows].copy()
    covariance = _posterior(process, rows, candidates)
    place = np.searchsorted(rows, candidates)  # of the candidates among the rows
    strokes = process.sounds.strokes[rows]
    chosen: list[Choice] = []
    while len(chosen) < n and left[place].max() > 0:
        variance = np.maximum(covariance[place, np.arange(len(place))], ANSWER_NOISE)
        effect = np.clip(np.abs(covariance) / variance, 0.0, 1.0)
        best = int((left[place] * (left @ effect)).argmax())
        distance = np.sqrt(np.square(strokes - strokes[place[best]]).sum(axis=1))
        group = np.flatnonzero((distance <= GROUP_RADIUS) & (left > 0))
        group = group[np.argsort(distance[group], kind="stable")]
        bears = (effect[:, best] > HALF) & (left > 0)
        bears[group] = False
        chosen.append(Choice(int(candidates[best]), rows[group], int(bears.sum())))
        left[group] = 0.0
        column = covariance[:, best]
        covariance = covariance - np.outer(column, column[place]) / (
            column[place[best]] + ANSWER_NOISE
        )
    return chosen


def _posterior(process: RoleProcess, rows: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Return the covariance of logits given the known hits, shape (n_rows, n_others)."""
    a, b = process.sounds.at(rows), process.sounds.at(others)
    prior = kernel(a, b)
    if not len(process.centers):
        return prior
    columns, other = process.features(a), process.features(b)
    # The centers stand for the known hits, each of which is an answer with the same noise.
    root = np.linalg.inv(process.factor).T
    inner = root.T @ root
    gain = np.linalg.solve(inner + ANSWER_NOISE * np.eye(len(inner)), inner)
    return np.asarray(prior - columns @ gain @ other.T)


def _with_name(learned: LearnedRoles) -> np.ndarray:
    """Return the probabilities with each hit's own name, shape (n, n_roles)."""
    known, chances = learned.known, learned.chances
    certainty = known.certainty()[:, None]
    is_own = np.eye(chances.shape[1])[known.roles]
    joint = chances * (certainty * is_own + (1.0 - certainty) / chances.shape[1])
    return np.asarray(joint / joint.sum(axis=1, keepdims=True))


def _describe(learned: LearnedRoles, choice: Choice) -> RoleQuestion:
    known, row = learned.known, choice.row
    chances = learned.joined[row].copy()
    best = np.argsort(-chances, kind="stable")[:N_LIKELY].tolist()
    named = int(known.roles[row])
    if known.is_named[row] and named not in best:
        best = [*best[: N_LIKELY - 1], named]
    return RoleQuestion(
        int(known.ids[row]),
        tuple(known.ids[choice.group].tolist()),
        tuple(str(ROLES[k]) for k in best),
        tuple(round(float(chances[k]), 3) for k in best),
        choice.n_affected,
    )
