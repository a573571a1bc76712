"""What the drums of a library that are known by name show about the distance of two strokes.

Strokes of one drum differ by strength, position and microphone; drums differ from each other. Both
spreads are measured in the stroke space of this library, and each stroke is moved to the place that
is expected of its drum [1]_. The distance between such places finds other strokes of unnamed drums.

References
----------
.. [1] S. Ioffe, "Probabilistic Linear Discriminant Analysis", European Conference on Computer
   Vision, 2006, 531-542: the expected latent variable of one example.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

N_AXES = 48  # of 120; the others move a stroke to the mean of all drums
WITHIN_SHARE = 0.7  # trust in the measured spread within drums, given many strokes
WITHIN_STROKES = 150  # beyond the first of each drum, at which half of that trust is reached
BETWEEN_SHARE = 0.8  # trust in the measured spread between drums
MIN_DRUMS = 6  # with two or more strokes; fewer show nothing that holds for others
MIN_REPEATED = 40  # strokes beyond the first of each drum; fewer show no spread of 120 dimensions
MAX_STROKES = 2000  # named strokes that are used, whole drums drawn at random
MAX_CHECKED = 600  # strokes that the check uses


@dataclass(frozen=True, eq=False)
class DrumSpace:
    """A map of the stroke space to the places of drums."""

    axes: np.ndarray  # float32, shape (n_dims, n_axes)
    n_drums: int  # known drums that it was learned from
    n_strokes: int
    gain: float  # mean average precision gained for drums that were left out


def learn_drum_space(
    points: np.ndarray, drums: np.ndarray, others: np.ndarray, *, seed: int = 0
) -> DrumSpace | None:
    """Learn from known drums; return None if they show nothing that holds for other drums.

    Each half of the drums is searched with what the other half shows. If the strokes of a drum are
    not found better so than in the stroke space, nothing is learned: names may be of something
    else than drums.

    Parameters
    ----------
    points : np.ndarray, shape (n, n_dims), strokes of known drums in the stroke space
    drums : np.ndarray, shape (n,), int, the drum of each
    others : np.ndarray, shape (m, n_dims), any hits of the library, for the spread of all
    seed : int, of the draw of drums
    """
    points, drums = _repeated(np.asarray(points, np.float64), drums)
    rng = np.random.default_rng(seed)
    points, drums = _draw(points, drums, rng, MAX_STROKES)
    n_drums = len(np.unique(drums))
    if n_drums < MIN_DRUMS or len(points) - n_drums < MIN_REPEATED:
        return None
    everything = np.concatenate([points, np.asarray(others, np.float64)])
    gain = _check(*_draw(points, drums, rng, MAX_CHECKED), everything, rng)
    if gain < 0.0:
        return None
    axes = fit_axes(points, drums, everything)
    return DrumSpace(axes.astype(np.float32), n_drums, len(points), gain)


def fit_axes(points: np.ndarray, drums: np.ndarray, everything: np.ndarray) -> np.ndarray:
    """Return the map that moves strokes to the expected places of their drums.

    Parameters
    ----------
    points, drums : see `learn_drum_space`
    everything : np.ndarray, shape (m, n_dims), hits whose spread is that of all drums

    Returns
    -------
    np.ndarray, float64, shape (n_dims, N_AXES), scaled so that the nearest strokes of one drum are
    as far apart as before, by the median
    """
    spread, n_repeated = spread_within(points, drums)
    unit = float(np.trace(spread)) / len(spread)
    trust = WITHIN_SHARE * n_repeated / (n_repeated + WITHIN_STROKES)
    within = trust * spread + (1.0 - trust) * unit * np.eye(len(spread))
    between = _positive(np.cov(everything.T, bias=True) - spread)
    size = float(np.trace(between)) / len(between)
    between = BETWEEN_SHARE * between + (1.0 - BETWEEN_SHARE) * size * np.eye(len(between))
    values, vectors = np.linalg.eigh(within)
    whitening = vectors / np.sqrt(values)
    ratio, turned = np.linalg.eigh(whitening.T @ between @ whitening)
    axes = (whitening @ turned * (ratio / (1.0 + ratio)))[:, ::-1][:, :N_AXES]
    after = float(np.median(nearest_siblings(points @ axes, drums)))
    return np.asarray(axes * np.median(nearest_siblings(points, drums)) / max(after, 1e-12))


def spread_within(points: np.ndarray, drums: np.ndarray) -> tuple[np.ndarray, int]:
    """Return the covariance within drums, and the number of strokes after the first of each."""
    _, index, counts = np.unique(drums, return_inverse=True, return_counts=True)
    means = np.zeros((len(counts), points.shape[1]))
    np.add.at(means, index, points)
    centered = points - (means / counts[:, None])[index]
    n_repeated = int((counts - 1).sum())
    return centered.T @ centered / max(n_repeated, 1), n_repeated


def nearest_siblings(points: np.ndarray, drums: np.ndarray) -> np.ndarray:
    """Return the distance of each stroke from the nearest other one of its drum, shape (n,).

    Each drum has two strokes or more.
    """
    distances = np.empty(len(points))
    for drum in np.unique(drums):
        rows = np.flatnonzero(drums == drum)
        squares = np.square(points[rows]).sum(axis=1)
        apart = squares[:, None] + squares - 2.0 * points[rows] @ points[rows].T
        np.fill_diagonal(apart, np.inf)
        distances[rows] = np.sqrt(np.maximum(apart.min(axis=1), 0.0))
    return distances


def _positive(matrix: np.ndarray) -> np.ndarray:
    """Return a symmetric matrix without its negative eigenvalues."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.maximum(values, 0.0) @ vectors.T)


def _repeated(points: np.ndarray, drums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the strokes of drums that have two or more."""
    _, index, counts = np.unique(drums, return_inverse=True, return_counts=True)
    is_repeated = counts[index] > 1
    return points[is_repeated], index[is_repeated]


def _draw(
    points: np.ndarray, drums: np.ndarray, rng: np.random.Generator, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the strokes of so many whole drums, drawn at random, that at most `most` are left."""
    names, index, counts = np.unique(drums, return_inverse=True, return_counts=True)
    order = rng.permutation(len(names))
    chosen = order[np.cumsum(counts[order]) <= most]
    is_chosen = np.isin(index, chosen)
    return points[is_chosen], drums[is_chosen]


def _check(
    points: np.ndarray, drums: np.ndarray, everything: np.ndarray, rng: np.random.Generator
) -> float:
    """Return the mean average precision gained for each half of the drums by the other half."""
    names = rng.permutation(np.unique(drums))
    halves = np.isin(drums, names[: len(names) // 2])
    gains = []
    for is_known in (halves, ~halves):
        axes = fit_axes(points[is_known], drums[is_known], everything)
        rows = np.flatnonzero(~is_known)
        before = average_precisions(points, drums, rows)
        gains += (average_precisions(points @ axes, drums, rows) - before).tolist()
    return float(np.mean(gains)) if gains else 0.0


def average_precisions(points: np.ndarray, drums: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return how well other strokes of the drums of some rows are found by distance, 0 to 1 each.

    It is the average precision of the list of all other points, nearest first.
    """
    squares = np.square(points).sum(axis=1)
    distances = squares - 2.0 * points[rows] @ points.T
    distances[np.arange(len(rows)), rows] = np.inf
    order = np.argsort(distances, axis=1, kind="stable")[:, :-1]
    is_right = drums[order] == drums[rows][:, None]
    precision = np.cumsum(is_right, axis=1) / np.arange(1, is_right.shape[1] + 1)
    return np.asarray((precision * is_right).sum(axis=1) / np.maximum(is_right.sum(axis=1), 1))
