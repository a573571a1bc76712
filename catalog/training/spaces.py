"""Fit the projection into the two search spaces; scale and reduce the blocks of embeddings."""

from __future__ import annotations

import numpy as np

from catalog.features.embedding import EMBEDDING_BLOCKS, EMBEDDING_DIM, standardize_embeddings
from catalog.search.spaces import Projection

# Weight of each block at a total variance of 1, chosen on held-out sources.
STROKE_WEIGHTS = {
    "spectrogram": 1.0, "fine_spectrum": 1.0, "low_spectrogram": 0.5, "timbre": 0.3,
}  # fmt: skip
ACOUSTIC_WEIGHTS = {"spectrogram": 1.0, "timbre": 0.7}
N_STROKE_DIMS, N_ACOUSTIC_DIMS = 120, 20
WHITENING = 0.5  # 0 keeps the variances, 1 equalizes them; half was best and needs no labels
WITHIN_FLOOR = 1.0  # added to the spread within drums, whose mean is 1, as few drums are labelled
VARIANCE_FLOOR = 1e-5  # of the first component: few hits leave components without variance
N_MEDIAN_HITS = 400  # whose distances give the medians


def block_standards(embeddings: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and scale: timbre by column, each other block by its total deviation."""
    mean = embeddings.mean(axis=0, dtype=np.float64)
    scale = np.ones(EMBEDDING_DIM)
    for name, block in EMBEDDING_BLOCKS.items():
        if name == "timbre":
            scale[block] = embeddings[:, block].std(axis=0) + 1e-6
        else:
            scale[block] = np.sqrt(np.square(embeddings[:, block] - mean[block]).sum(axis=1).mean())
    return mean, scale


def block_factors(standardized: np.ndarray, weights: dict[str, float]) -> np.ndarray:
    """Return, per column, block weight over total deviation of the block; 0 without a weight."""
    factors = np.zeros(EMBEDDING_DIM)
    for name, weight in weights.items():
        block = EMBEDDING_BLOCKS[name]
        factors[block] = weight / np.sqrt(np.square(standardized[:, block]).sum(axis=1).mean())
    return factors


def principal_components(rows: np.ndarray, n: int, *, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return axes, shape (n_columns, n), and their variances, with a floor.

    Fewer than `n` are returned where the rows or columns are fewer.
    """
    from sklearn.decomposition import PCA

    pca = PCA(min(n, *rows.shape), random_state=seed).fit(rows)
    variance = pca.explained_variance_
    return pca.components_.T, np.maximum(variance, VARIANCE_FLOOR * variance[0])


def fit_projection(
    embeddings: np.ndarray, drums: np.ndarray, roles: np.ndarray, *, seed: int = 0
) -> Projection:
    """Fit the stroke space and the acoustic space.

    Parameters
    ----------
    embeddings : np.ndarray, shape (n, EMBEDDING_DIM)
    drums : np.ndarray of str, shape (n, n_levels)
        each column names the drum of each hit at one level (through one microphone, through
        any); "" where a hit has no true siblings
    roles : np.ndarray, shape (n, n_roles), role probabilities of these hits, for the medians
    """
    mean, scale = block_standards(embeddings)
    rows = standardize_embeddings(embeddings, mean, scale).astype(np.float64)
    strokes = _fit_stroke_axes(rows, drums, seed)
    acoustic = _half_whitened_axes(rows, ACOUSTIC_WEIGHTS, N_ACOUSTIC_DIMS, seed)
    rng = np.random.default_rng(seed)
    sample = rng.choice(len(rows), min(N_MEDIAN_HITS, len(rows)), replace=False)
    role_distance = 1.0 - roles[sample] @ roles[sample].T
    points = rows[sample] @ acoustic
    acoustic_distance = np.sqrt(np.square(points[:, None] - points[None]).sum(axis=2))
    upper = np.triu_indices(len(sample), 1)
    units = (float(np.median(d[upper])) for d in (role_distance, acoustic_distance))
    return Projection(mean, scale, strokes, acoustic, *units)


def _half_whitened_axes(
    rows: np.ndarray, weights: dict[str, float], n_dims: int, seed: int
) -> np.ndarray:
    factors = block_factors(rows, weights)
    axes, variance = principal_components(rows * factors, n_dims, seed=seed)
    return np.asarray(factors[:, None] * axes * variance ** (-WHITENING / 2))


def _fit_stroke_axes(rows: np.ndarray, drums: np.ndarray, seed: int) -> np.ndarray:
    """Return half-whitened axes, with directions that vary within drums weighted down."""
    half_whitened = _half_whitened_axes(rows, STROKE_WEIGHTS, N_STROKE_DIMS, seed)
    points = rows @ half_whitened
    within = np.zeros((points.shape[1],) * 2)
    for level in drums.T:
        spread = _within_spread(points, level)
        within += spread / max(float(np.trace(spread)), 1e-12)
    within *= len(within) / max(float(np.trace(within)), 1e-12)
    size, vectors = np.linalg.eigh(within + WITHIN_FLOOR * np.eye(len(within)))
    return np.asarray(half_whitened @ vectors / np.sqrt(size))


def _within_spread(points: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """Return the mean covariance of all groups of at least two points."""
    spreads = [
        np.cov(points[groups == group].T, bias=True)
        for group in np.unique(groups[groups != ""])
        if (groups == group).sum() > 1
    ]
    return np.mean(spreads, axis=0) if spreads else np.zeros((points.shape[1],) * 2)
