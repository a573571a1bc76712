"""Exact nearest neighbours in either space, and the reasons in the trade's units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from catalog.errors import ParameterError
from catalog.features.descriptors import DESCRIPTORS
from catalog.search.spaces import PLAIN_SHARE, ROLE_SHARE, Spaces

MAX_REASONS = 3


_DECIMALS = 6  # measures are kept in float32: beyond that, twins differ by their rounding


@dataclass(frozen=True)
class Match:
    """A hit found, and how far it is; distances compare within one question only."""

    hit_id: int
    distance: float


def rank_hits(
    hit_ids: np.ndarray, distances: np.ndarray, *, allowed: np.ndarray, n: int | None
) -> list[Match]:
    """Nearest first; distances equal to six decimals in the order of their ids.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n_hits,)
    distances : np.ndarray, float64, shape (n_hits,)
    allowed : np.ndarray, bool, shape (n_hits,)
    n : int or None, how many; None for all that are allowed

    Returns
    -------
    list of Match

    Raises
    ------
    ParameterError
        if `n` is below 1
    """
    if n is not None and n < 1:
        raise ParameterError(f"n={n} must be at least 1, or None for every other hit")
    rows = np.flatnonzero(allowed)
    if n is not None and n < len(rows):
        cut = np.partition(distances[rows], n - 1)[n - 1]
        rows = rows[distances[rows] <= cut + 10.0**-_DECIMALS]
    rows = rows[np.lexsort((hit_ids[rows], distances[rows].round(_DECIMALS)))][:n]
    return [Match(int(hit_ids[row]), float(distances[row])) for row in rows]


# How far two hits must be apart before a person hears it: common practice, no source, but for
# level (1 dB, the usual step of loudness tables) and pitch (a quarter tone).
_STEPS: dict[str, float] = {
    "decay20_s": 0.15,
    "centroid_hz": 0.08,
    "body_hz": 0.03,
    "attack_s": 0.5,
    "length_s": 0.15,
    "flatness": 0.3,
}


_WORDS = {d.name: d for d in DESCRIPTORS}


def explain_difference(
    hit: Mapping[str, float], other: Mapping[str, float], *, n: int = MAX_REASONS
) -> tuple[str, ...]:
    """Say in what the other hit differs, the most audible first.

    Parameters
    ----------
    hit, other : mapping of str to float, descriptors
    n : int, at most so many reasons

    Returns
    -------
    tuple of str
        such as ("40 ms shorter", "300 Hz darker"); empty if nothing audible was measured
    """
    found = []
    for name, step in _STEPS.items():
        a, b = hit.get(name, math.nan), other.get(name, math.nan)
        if not (math.isfinite(a) and math.isfinite(b)) or a <= 0 or b <= 0:
            continue
        steps = abs(math.log(b / a)) / math.log1p(step)
        if steps >= 1.0:
            found.append((steps, _phrase(name, b - a)))
    louder = other.get("loudness_lkfs", math.nan) - hit.get("loudness_lkfs", math.nan)
    if math.isfinite(louder) and abs(louder) >= 1.0:
        found.append(
            (abs(louder) / 3.0, f"{abs(louder):.0f} dB {'louder' if louder > 0 else 'softer'}")
        )
    found.sort(key=lambda pair: -pair[0])
    return tuple(text for _, text in found[:n])


def _phrase(name: str, difference: float) -> str:
    word = _WORDS[name].more if difference > 0 else _WORDS[name].less
    size = abs(difference)
    if name.endswith("_hz"):
        return f"{size:.0f} Hz {word}" if size < 2000 else f"{size / 1000:.1f} kHz {word}"
    if not name.endswith("_s"):
        return word
    amount = f"{1000 * size:.0f} ms" if size < 1 else f"{size:.1f} s"
    if name == "decay20_s":
        return f"rings {amount} {'longer' if difference > 0 else 'shorter'}"
    return f"attack {amount} {word}" if name == "attack_s" else f"{amount} {word}"


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


EPS = float(np.finfo(np.float32).eps)


TIE = 2e-6  # distances that differ by less are ranked by id, see `rank_hits`


GROUP = 64  # values of which the least is looked at


WORTH_IT = 20  # times as many hits as are asked for; below it one exact pass is as fast


def stroke_candidates(
    spaces: Spaces, row: int, *, allowed: np.ndarray, n: int | None
) -> np.ndarray:
    """Rows that can be among the `n` nearest strokes of one drum.

    Parameters
    ----------
    spaces : Spaces
    row : int
    allowed : np.ndarray, bool, shape (n_hits,)
    n : int or None, how many; None for all

    Returns
    -------
    np.ndarray, int64, ascending
    """
    if not _is_worth_it(allowed, n):
        return np.flatnonzero(allowed)
    point = np.ascontiguousarray(spaces.strokes[row])
    rough, slack = _rough_squares(spaces.strokes, spaces.stroke_squares, point)
    return _within(rough, slack, allowed, n, squared=True)


def alike_candidates(
    spaces: Spaces, alike: np.ndarray, roles: np.ndarray, *, allowed: np.ndarray, n: int | None
) -> np.ndarray:
    """Rows that can be among the `n` nearest by likeness, see `stroke_candidates`."""
    if not _is_worth_it(allowed, n):
        return np.flatnonzero(allowed)
    squares, slack = _rough_squares(spaces.alike, spaces.alike_squares, alike)
    plain = np.sqrt(np.maximum(squares, 0.0))
    apart = 1.0 - spaces.roles @ roles.astype(np.float32)
    rough = ROLE_SHARE / spaces.role_unit * apart + PLAIN_SHARE * plain
    # sqrt(s + e) - sqrt(s) is at most sqrt(e); probabilities add up to 1, so their product to 1
    roles_slack = ROLE_SHARE / spaces.role_unit * (spaces.roles.shape[1] + 4) * EPS
    slack = PLAIN_SHARE * float(np.sqrt(slack)) + roles_slack
    return _within(rough, slack + 8 * EPS * float(np.abs(rough).max()), allowed, n)


def _is_worth_it(allowed: np.ndarray, n: int | None) -> bool:
    return n is not None and 0 < n * WORTH_IT < int(np.count_nonzero(allowed))


def _rough_squares(
    points: np.ndarray, squares: np.ndarray, point: np.ndarray
) -> tuple[np.ndarray, float]:
    """Squared distances by |p|² - 2 p·q + |q|², and how far each may be from the exact one.

    A sum of d rounded products is off by at most about d eps of the sum of their sizes, which by
    Cauchy and Schwarz is at most |p||q|, and that at most half of |p|² + |q|² [1]_.

    References
    ----------
    .. [1] N. J. Higham, "Accuracy and Stability of Numerical Algorithms", 2nd ed., 2002, section
       3.1; from memory.
    """
    own = float(point @ point)
    rough = points @ point
    rough *= np.float32(-2.0)
    rough += squares
    rough += np.float32(own)
    return rough, 3.0 * (points.shape[1] + 4) * EPS * (float(squares.max()) + own)


def _within(
    rough: np.ndarray, slack: float, allowed: np.ndarray, n: int | None, *, squared: bool = False
) -> np.ndarray:
    # n rows are roughly within the cut, so exactly within cut + slack, and with them the nearest n
    values = _only(rough, allowed)
    cut = _cut(values, n or 1)
    tie = TIE * (2.0 * math.sqrt(max(cut, 0.0)) + TIE) if squared else TIE
    return np.flatnonzero(values <= np.float32(cut + 2.0 * slack + tie + EPS * abs(cut)))


def _only(values: np.ndarray, allowed: np.ndarray) -> np.ndarray:
    return values if allowed.all() else np.where(allowed, values, np.float32(np.inf))


def _cut(values: np.ndarray, n: int) -> float:
    """Give a bound on the `n`-th smallest value, finite where so many are.

    The smallest of each of many groups are values of their own, so the `n`-th of them is no bound
    too low; it takes a tenth of the time. Neighbours fall into different groups: strokes of one
    drum lie beside each other.
    """
    n_groups = len(values) // GROUP
    if n_groups > WORTH_IT * n:
        least = values[: n_groups * GROUP].reshape(GROUP, n_groups).min(axis=0)
        cut = float(np.partition(least, n - 1)[n - 1])
        if np.isfinite(cut):
            return cut
    return float(np.partition(values, n - 1)[n - 1])
