"""Learn from choices what a user prefers among hits of one role: darker, shorter, one session.

Each hit has a value, a weighted sum of its numbers relative to the hits of its role and of the
sessions that choices were made in. The chance that one hit is preferred to another is the logistic
function of the difference of their values [1]_. Weights are small unless many choices agree.

References
----------
.. [1] R. A. Bradley and M. E. Terry, "Rank analysis of incomplete block designs: I. The method of
   paired comparisons", Biometrika 39, 324-345, 1952.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

MIN_CHOICES = 10  # below, nothing is learned
# Numbers that are compared, each on a logarithmic scale, and the words for less and more of it.
NUMBERS = {
    "centroid_hz": ("darker", "brighter"), "length_s": ("shorter", "longer"),
    "decay20_s": ("tighter", "ringing longer"), "attack_s": ("a faster attack", "a slower attack"),
    "flatness": ("more tonal", "noisier"),
}  # fmt: skip
CLIP = 2.0  # deviations; hits beyond count no more
PRIOR = 0.35  # deviation of a weight before any choice; a tenth choice still changes little
N_STEPS = 30  # of Newton's method, which converges after five or six
TOLD = 0.25  # least weight that is put in words


@dataclass(frozen=True)
class Choice:
    """A hit that was preferred to another one, or to the average of its role (`other_id` None).

    One of a weight below 1 is no choice of its own, see `MIN_CHOICES`.
    """

    kind: str
    hit_id: int
    other_id: int | None = None
    weight: float = 1.0


@dataclass(frozen=True, eq=False)
class Traits:
    """Numbers of hits relative to their roles; row i belongs to `hit_ids[i]`."""

    hit_ids: np.ndarray  # int64, ascending
    z: np.ndarray  # float64, shape (n, n_numbers), deviations from the role's mean, 0 if unknown
    sessions: np.ndarray  # str

    def rows_of(self, hit_ids: Sequence[int] | np.ndarray) -> np.ndarray:
        """Return the row of each hit; -1 for those that are not present."""
        wanted = np.asarray(hit_ids, np.int64)
        rows = np.searchsorted(self.hit_ids, wanted)
        rows[rows == len(self.hit_ids)] = 0
        if not len(self.hit_ids):
            return np.full(len(wanted), -1)
        return np.where(self.hit_ids[rows] == wanted, rows, -1)


@dataclass(frozen=True, eq=False)
class Preference:
    """The weights that were learned."""

    n_choices: int
    weights: np.ndarray  # of `NUMBERS`
    sessions: Mapping[str, float]

    def values(self, traits: Traits, rows: np.ndarray) -> np.ndarray:
        """Return the value of the hits of some rows, -1 (disliked) to 1; 0 for a row of -1."""
        session = np.array([self.sessions.get(name, 0.0) for name in traits.sessions[rows]])
        value = np.tanh(traits.z[rows] @ self.weights + session)
        return np.where(rows < 0, 0.0, value)

    def words(self) -> list[str]:
        """Return what is preferred, the strongest first: "darker", "shorter", a session."""
        found = [
            (abs(weight), NUMBERS[name][int(weight > 0)])
            for name, weight in zip(NUMBERS, self.weights.tolist(), strict=True)
        ]
        found += [(weight, f"from {name}") for name, weight in self.sessions.items() if weight > 0]
        return [text for weight, text in sorted(found, reverse=True) if weight >= TOLD]


def make_traits(
    hit_ids: np.ndarray, roles: np.ndarray, sessions: np.ndarray, numbers: np.ndarray
) -> Traits:
    """Return the traits of hits.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n,), ascending
    roles, sessions : np.ndarray of str, shape (n,)
    numbers : np.ndarray, float64, shape (n, n_numbers), see `NUMBERS`; NaN where unknown
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(numbers)
    logs[~np.isfinite(logs)] = np.nan
    z = np.zeros(logs.shape)
    for role in np.unique(roles):
        rows = np.flatnonzero(roles == role)
        for column in range(logs.shape[1]):
            values = logs[rows, column]
            known = values[~np.isnan(values)]
            if len(known) > 1 and known.std() > 0:
                z[rows, column] = (values - known.mean()) / known.std()
    return Traits(hit_ids, np.clip(np.nan_to_num(z), -CLIP, CLIP), sessions)


def learn_preference(choices: Sequence[Choice], traits: Traits) -> Preference | None:
    """Learn from choices; return None if there are fewer than `MIN_CHOICES` of present hits.

    Parameters
    ----------
    choices : sequence of Choice
    traits : Traits, of all present hits
    """
    chosen = traits.rows_of([choice.hit_id for choice in choices])
    known = [(c, row) for c, row in zip(choices, chosen.tolist(), strict=True) if row >= 0]
    n_choices = sum(choice.weight >= 1.0 for choice, _ in known)
    if n_choices < MIN_CHOICES:
        return None
    rows = np.array([row for _, row in known])
    others = traits.rows_of([-1 if c.other_id is None else c.other_id for c, _ in known])
    names = sorted({name for name in traits.sessions[rows].tolist() if name})
    shares = {name: float(np.mean(traits.sessions == name)) for name in names}
    columns = [_session_difference(traits, rows, others, n, shares[n]) for n in names]
    difference = traits.z[rows] - np.where(others[:, None] < 0, 0.0, traits.z[others])
    table = np.column_stack([difference, *columns])
    weights = _fit(table, np.array([choice.weight for choice, _ in known]))
    n = len(NUMBERS)
    found = dict(zip(names, weights[n:].tolist(), strict=True))
    return Preference(n_choices, weights[:n], found)


def _session_difference(
    traits: Traits, rows: np.ndarray, others: np.ndarray, name: str, share: float
) -> np.ndarray:
    """Return 1 where a hit of a session was preferred, less what the other one had of it."""
    had = np.where(others < 0, share, traits.sessions[others] == name)
    return np.asarray((traits.sessions[rows] == name) - had)


def _fit(table: np.ndarray, importance: np.ndarray) -> np.ndarray:
    """Return the most probable weights, given that each row's sum was preferred to 0."""
    weights = np.zeros(table.shape[1])
    for _ in range(N_STEPS):
        chance = 1.0 / (1.0 + np.exp(-table @ weights))
        slope = table.T @ (importance * (1.0 - chance)) - weights / PRIOR**2
        curvature = (table * (importance * chance * (1.0 - chance))[:, None]).T @ table
        step = np.linalg.solve(curvature + np.eye(len(weights)) / PRIOR**2, slope)
        weights = weights + step
        if np.abs(step).max() < 1e-9:
            break
    return weights
