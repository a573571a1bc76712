"""Scale the blocks of embeddings and reduce them to principal components."""

from __future__ import annotations

import numpy as np

from catalog.features.embedding import EMBEDDING_BLOCKS, EMBEDDING_DIM

VARIANCE_FLOOR = 1e-5  # of the first component: few hits leave components without variance


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
