"""Kernel regression: correct the role probabilities of the shipped model by the known roles nearby.

With p the probabilities from the sound, L the hits with known roles, Y their roles as one-hot rows
and k a Gaussian of the distance in the stroke space, the corrected values are

    f(x) = p(x) + k(x, C) a,    a = argmin sum_L |Y - p - k(L, C) a|^2 / ridge + a' k(C, C) a

(subset of regressors, C a subset of L). With C = L it is kernel ridge regression of what the
shipped model gets wrong, f = p + k(x, L) (k(L, L) + ridge)^-1 (Y - p(L)).

References
----------
C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press, 2006,
sections 2.7 and 8.3.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KERNEL_WIDTH = 1.0  # in the stroke space; 90 % of nearest strokes of one drum lie within 1.04
RIDGE_USER = 0.1  # variance of the error of a role that the user set
RIDGE_NAME = 0.3  # of a role from a name: 1 to 2 % of the names are wrong
MAX_CENTERS = 1000  # bounds time and memory, which grow with it
BLOCK = 4096  # rows of the kernel matrix at once
JITTER = 1e-6  # keeps the normal equations solvable when examples coincide


@dataclass(frozen=True, eq=False)
class Examples:
    """Rows with known roles."""

    rows: np.ndarray  # int, shape (n,)
    roles: np.ndarray  # int, shape (n,), index in `ROLES`
    by_user: np.ndarray  # bool, shape (n,); else the role comes from a name


def correct_probabilities(
    points: np.ndarray, prior: np.ndarray, examples: Examples, *, width: float = KERNEL_WIDTH
) -> np.ndarray:
    """Return the probabilities of the roles of all hits, corrected by the examples.

    Parameters
    ----------
    points : np.ndarray, shape (n, n_dims), position in the stroke space
    prior : np.ndarray, shape (n, n_roles), probabilities of the shipped model
    examples : Examples
    width : float, standard deviation of the Gaussian, in units of the stroke space

    Returns
    -------
    np.ndarray, float64, shape (n, n_roles); rows sum to 1
    """
    if not len(examples.rows):
        return np.asarray(prior, np.float64)
    centers = points[_choose_centers(examples)]
    known = points[examples.rows]
    weight = 1.0 / np.where(examples.by_user, RIDGE_USER, RIDGE_NAME)
    error = np.eye(prior.shape[1])[examples.roles] - prior[examples.rows]
    normal = gaussian(centers, centers, width) + JITTER * np.eye(len(centers))
    target = np.zeros((len(centers), prior.shape[1]))
    for start in range(0, len(known), BLOCK):
        part = slice(start, start + BLOCK)
        kernel = gaussian(known[part], centers, width)
        normal += kernel.T @ (weight[part, None] * kernel)
        target += kernel.T @ (weight[part, None] * error[part])
    factor = np.linalg.solve(normal, target)
    return _normalize(prior, points, centers, factor, width)


def gaussian(points: np.ndarray, centers: np.ndarray, width: float) -> np.ndarray:
    """Return the Gaussian of the distances, shape (n_points, n_centers), 1 at distance 0."""
    a, b = np.asarray(points, np.float64), np.asarray(centers, np.float64)
    square = np.square(a).sum(axis=1)[:, None] + np.square(b).sum(axis=1) - 2.0 * (a @ b.T)
    return np.asarray(np.exp(-0.5 * np.maximum(square, 0.0) / width**2))


def _choose_centers(examples: Examples) -> np.ndarray:
    """Return at most `MAX_CENTERS` rows: the user's first, then evenly spaced others."""
    user, named = examples.rows[examples.by_user], examples.rows[~examples.by_user]
    ordered = np.concatenate([_spread(user, MAX_CENTERS), _spread(named, MAX_CENTERS)])
    return ordered[:MAX_CENTERS]


def _spread(rows: np.ndarray, count: int) -> np.ndarray:
    """Return at most `count` of the rows, at equal steps."""
    if len(rows) <= count:
        return rows
    return rows[np.linspace(0, len(rows) - 1, count).astype(int)]


def _normalize(
    prior: np.ndarray, points: np.ndarray, centers: np.ndarray, factor: np.ndarray, width: float
) -> np.ndarray:
    """Return prior plus correction as probabilities: not negative, with a sum of 1."""
    result = np.array(prior, np.float64)
    for start in range(0, len(points), BLOCK):
        part = slice(start, start + BLOCK)
        result[part] += gaussian(points[part], centers, width) @ factor
    np.clip(result, 0.0, None, out=result)
    total = result.sum(axis=1, keepdims=True)
    return np.where(total > 0, result / np.maximum(total, 1e-12), prior)
