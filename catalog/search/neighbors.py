"""Exact nearest neighbors: a fast prefilter that never loses one, and the ranking."""

from __future__ import annotations

import math

import numpy as np

from catalog.errors import ParameterError
from catalog.search.spaces import PLAIN_SHARE, ROLE_SHARE, Spaces

TIE_DECIMALS = 6  # descriptors are stored in float32: further digits are rounding noise


def rank_rows(
    hit_ids: np.ndarray, distances: np.ndarray, *, allowed: np.ndarray, n: int | None
) -> np.ndarray:
    """Sort rows by distance; distances equal to `TIE_DECIMALS` digits are sorted by hit id.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n_hits,)
    distances : np.ndarray, float64, shape (n_hits,)
    allowed : np.ndarray, bool, shape (n_hits,)
    n : int or None, how many; None for all that are allowed

    Returns
    -------
    np.ndarray, int64, indices of the nearest rows, nearest first

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
        rows = rows[distances[rows] <= cut + 10.0**-TIE_DECIMALS]
    order = np.lexsort((hit_ids[rows], distances[rows].round(TIE_DECIMALS)))
    return np.asarray(rows[order][:n])


EPS = float(np.finfo(np.float32).eps)


TIE = 2e-6  # distances that differ by less are ranked by id, see `rank_rows`


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
