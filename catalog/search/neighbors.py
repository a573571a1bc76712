"""Exact nearest neighbors: a fast prefilter with a proven error bound, then the ranking.

The prefilter computes all distances in float32 with one matrix product and keeps every row that
could be among the nearest, given the rounding error. Only those are measured exactly.
"""

from __future__ import annotations

import math

import numpy as np

from catalog.errors import ParameterError
from catalog.search.spaces import ACOUSTIC_WEIGHT, ROLE_WEIGHT, Spaces

TIE_DECIMALS = 6  # descriptors are stored in float32: further digits are rounding noise
TIE_WIDTH = 2e-6  # distances closer than this may be ranked by id, see `rank_rows`
MIN_HITS_PER_NEIGHBOR = 20  # with fewer hits a neighbor, one exact pass is as fast
GROUP_SIZE = 64  # values of which only the minimum is compared, see `_upper_bound`
EPS = float(np.finfo(np.float32).eps)


def rank_rows(
    hit_ids: np.ndarray,
    distances: np.ndarray,
    *,
    allowed: np.ndarray,
    n: int | None,
    mark_ranks: np.ndarray | None = None,
) -> np.ndarray:
    """Sort rows by distance; those equal to `TIE_DECIMALS` digits by mark, then by hit id.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n_hits,)
    distances : np.ndarray, float64, shape (n_hits,)
    allowed : np.ndarray, bool, shape (n_hits,)
    n : int or None, how many; None for all that are allowed
    mark_ranks : np.ndarray, int, shape (n_hits,), optional, see `catalog.models.MARK_RANK`

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
        cutoff = np.partition(distances[rows], n - 1)[n - 1]
        rows = rows[distances[rows] <= cutoff + 10.0**-TIE_DECIMALS]
    ties = (hit_ids[rows],) if mark_ranks is None else (hit_ids[rows], mark_ranks[rows])
    order = np.lexsort((*ties, distances[rows].round(TIE_DECIMALS)))
    return np.asarray(rows[order][:n])


def prefilter_strokes(
    spaces: Spaces, row: int, *, allowed: np.ndarray, n: int | None
) -> np.ndarray:
    """Return the rows that can be among the `n` nearest in the stroke space, ascending.

    `row` is that of the hit searched from; `n` of None returns all that are `allowed`.
    """
    if not _is_worthwhile(allowed, n):
        return np.flatnonzero(allowed)
    point = np.ascontiguousarray(spaces.strokes[row])
    approx, error = _approx_squares(spaces.strokes, spaces.stroke_squares, point)
    return _rows_within(approx, error, allowed=allowed, n=n, is_squared=True)


def prefilter_similar(
    spaces: Spaces, acoustic: np.ndarray, roles: np.ndarray, *, allowed: np.ndarray, n: int | None
) -> np.ndarray:
    """Return the rows that can be among the `n` nearest in the similarity space, ascending.

    Parameters
    ----------
    acoustic : np.ndarray, shape (n_acoustic,), of the hit searched from
    roles : np.ndarray, shape (n_roles,), role probabilities of the hit searched from
    allowed, n : see `prefilter_strokes`
    """
    if not _is_worthwhile(allowed, n):
        return np.flatnonzero(allowed)
    squares, squares_error = _approx_squares(spaces.acoustic, spaces.acoustic_squares, acoustic)
    distance = np.sqrt(np.maximum(squares, 0.0))
    mismatch = 1.0 - spaces.roles @ roles.astype(np.float32)
    approx = ROLE_WEIGHT / spaces.role_median * mismatch + ACOUSTIC_WEIGHT * distance
    # sqrt(s + e) - sqrt(s) <= sqrt(e), and probabilities sum to 1, so p @ q <= 1
    role_error = ROLE_WEIGHT / spaces.role_median * (spaces.roles.shape[1] + 4) * EPS
    error = ACOUSTIC_WEIGHT * math.sqrt(squares_error) + role_error
    error += 8 * EPS * float(np.abs(approx).max())
    return _rows_within(approx, error, allowed=allowed, n=n, is_squared=False)


def _is_worthwhile(allowed: np.ndarray, n: int | None) -> bool:
    return n is not None and 0 < n * MIN_HITS_PER_NEIGHBOR < int(np.count_nonzero(allowed))


def _approx_squares(
    points: np.ndarray, squares: np.ndarray, point: np.ndarray
) -> tuple[np.ndarray, float]:
    """Return |p|² - 2 p·q + |q|² for each row p, and a bound on its rounding error.

    The error of a dot product of length d is at most about d eps times the sum of the absolute
    products [1]_, which is at most |p||q| <= (|p|² + |q|²) / 2 (Cauchy-Schwarz).

    References
    ----------
    .. [1] N. J. Higham, "Accuracy and Stability of Numerical Algorithms", 2nd ed., 2002, section
       3.1; from memory.
    """
    query_square = float(point @ point)
    approx = points @ point
    approx *= np.float32(-2.0)
    approx += squares
    approx += np.float32(query_square)
    error = 3.0 * (points.shape[1] + 4) * EPS * (float(squares.max()) + query_square)
    return approx, error


def _rows_within(
    approx: np.ndarray, error: float, *, allowed: np.ndarray, n: int | None, is_squared: bool
) -> np.ndarray:
    # At least n rows have an approximate value up to the bound, hence an exact value up to
    # bound + error; every row with such an exact value is approximated to at most bound + 2 error.
    values = approx if allowed.all() else np.where(allowed, approx, np.float32(np.inf))
    bound = _upper_bound(values, n or 1)
    tie = TIE_WIDTH * (2.0 * math.sqrt(max(bound, 0.0)) + TIE_WIDTH) if is_squared else TIE_WIDTH
    return np.flatnonzero(values <= np.float32(bound + 2.0 * error + tie + EPS * abs(bound)))


def _upper_bound(values: np.ndarray, n: int) -> float:
    """Return an upper bound on the `n`-th smallest value, finite if there are `n` finite values.

    The minima of many disjoint groups are a subset of the values, so the `n`-th smallest minimum is
    a bound, found in a tenth of the time. The groups are strided, because strokes of one drum lie
    in adjacent rows and would otherwise share a group.
    """
    n_groups = len(values) // GROUP_SIZE
    if n_groups > MIN_HITS_PER_NEIGHBOR * n:
        minima = values[: n_groups * GROUP_SIZE].reshape(GROUP_SIZE, n_groups).min(axis=0)
        bound = float(np.partition(minima, n - 1)[n - 1])
        if np.isfinite(bound):
            return bound
    return float(np.partition(values, n - 1)[n - 1])
