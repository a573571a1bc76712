"""Candidate pairs: approximate nearest neighbors in a space where edits move a hit little.

`catalog.training` fits the space: directions in which edits move a hit are weighted down, those
that separate recordings are weighted up. Neighbors come from a forest of random projection trees,
whose cost grows with n log n: a copy is far nearer than almost all else, so few splits separate it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.features.embedding import EMBEDDING_DIM, EMBEDDING_VERSION, standardize_embeddings
from catalog.matching.prepare import group_indices

SPACE_FILE = Path(__file__).with_name("candidates.npz")
LEAF_SIZE, N_TREES = 64, 24  # hits of a leaf are all compared with one another
EXACT_UP_TO = 2_000  # hits; up to this number all distances are computed
N_NEIGHBORS = 5  # per hit
LEAVES_AT_ONCE = 64  # a leaf takes 50 kB
PAIRS_AT_ONCE = 65_536  # for the distances
SEED = 0  # of the random splits


@dataclass(frozen=True, eq=False)
class CandidateSpace:
    """Linear projection of embeddings in which copies are near."""

    mean: np.ndarray  # shape (EMBEDDING_DIM,)
    scale: np.ndarray  # shape (EMBEDDING_DIM,)
    axes: np.ndarray  # shape (EMBEDDING_DIM, n_dims)
    reach: float  # distance within which nearly all edited copies lie

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the embeddings they were fitted on."""
        np.savez_compressed(
            path,
            allow_pickle=False,
            version=EMBEDDING_VERSION,
            mean=self.mean.astype(np.float32),
            scale=self.scale.astype(np.float32),
            axes=self.axes.astype(np.float16),
            reach=self.reach,
        )


@lru_cache(maxsize=1)
def load_space() -> CandidateSpace:
    """Load the space that is shipped with the package.

    Raise `StoreError` if it was fitted on embeddings of another version.
    """
    with np.load(SPACE_FILE, allow_pickle=False) as file:
        if int(file["version"]) != EMBEDDING_VERSION or len(file["mean"]) != EMBEDDING_DIM:
            raise StoreError(
                f"{SPACE_FILE.name} was fitted on embeddings of another version: "
                "fit it again with `python -m catalog.training copies`"
            )
        axes = file["axes"].astype(np.float32)
        return CandidateSpace(file["mean"], file["scale"], axes, float(file["reach"]))


def project_embeddings(embeddings: np.ndarray) -> np.ndarray:
    """Project embeddings into the shipped space, in units of its reach.

    Embeddings of shape (n, EMBEDDING_DIM) give float32 points of shape (n, n_dims).
    """
    space = load_space()
    rows = standardize_embeddings(embeddings, space.mean, space.scale)
    return np.asarray(rows @ space.axes / space.reach, np.float32)


def find_candidate_pairs(points: np.ndarray, *, n_neighbors: int = N_NEIGHBORS) -> np.ndarray:
    """Find pairs of rows within a distance of 1 that are among the nearest of either row.

    Parameters
    ----------
    points : np.ndarray, shape (n, n_dims)
    n_neighbors : int, nearest rows that are considered for each row

    Returns
    -------
    np.ndarray, int, shape (n_pairs, 2), first below second, each pair once, the nearest pair first
    """
    n = len(points)
    if n < 2:
        return np.zeros((0, 2), int)
    points = np.asarray(points, np.float32)
    rng = np.random.default_rng(SEED)
    trees = (
        [[np.arange(n)]]
        if n <= EXACT_UP_TO
        else (_split_into_leaves(points, rng) for _ in range(N_TREES))
    )
    parts = [_pairs_in_leaves(points, leaves, n_neighbors) for leaves in trees]
    keys = np.sort(np.concatenate(parts))
    keys = keys[np.diff(keys, prepend=-1) > 0]  # np.unique takes ten times as long
    pairs = np.stack([keys // n, keys % n], axis=1)
    pairs, distances = _keep_nearest(pairs, _distances(points, pairs), n_neighbors)
    return np.asarray(pairs[np.argsort(distances, kind="stable")])


def _distances(points: np.ndarray, pairs: np.ndarray) -> np.ndarray:
    """Return distances computed from differences; the expanded square loses the last digits."""
    distances = np.empty(len(pairs), np.float32)
    for at in range(0, len(pairs), PAIRS_AT_ONCE):
        block = slice(at, at + PAIRS_AT_ONCE)
        difference = points[pairs[block, 0]] - points[pairs[block, 1]]
        distances[block] = np.sqrt(np.einsum("ij,ij->i", difference, difference))
    return distances


def order_pairs(pairs: np.ndarray, n: int) -> np.ndarray:
    """Order pairs of `n` rows so that those of a row are close together and few must be cached.

    References
    ----------
    E. Cuthill and J. McKee, "Reducing the bandwidth of sparse symmetric matrices", Proc. 24th
    Nat. Conf. ACM, 1969.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import reverse_cuthill_mckee

    if not len(pairs):
        return pairs
    both = np.concatenate([pairs, pairs[:, ::-1]])
    graph = coo_array((np.ones(len(both), np.int8), (both[:, 0], both[:, 1])), (n, n)).tocsr()
    rank = np.empty(n, int)
    rank[reverse_cuthill_mckee(graph, symmetric_mode=True)] = np.arange(n)
    ranks = np.sort(rank[pairs], axis=1)
    return np.asarray(pairs[np.lexsort((ranks[:, 1], ranks[:, 0]))])


def _keep_nearest(
    pairs: np.ndarray, distances: np.ndarray, n_neighbors: int
) -> tuple[np.ndarray, np.ndarray]:
    """Keep the pairs that are among the nearest of either of their rows."""
    rows, pair_index = pairs.T.ravel(), np.tile(np.arange(len(pairs)), 2)
    # non-negative floats sort like their bit patterns, so one sort serves both keys
    order = np.argsort((rows << 32) | distances[pair_index].view(np.int32))
    starts = np.searchsorted(rows[order], np.arange(rows.max(initial=0) + 2))
    rank = np.arange(len(rows)) - np.repeat(starts[:-1], np.diff(starts))
    kept = np.unique(pair_index[order][rank < n_neighbors])
    return pairs[kept], distances[kept]


def _split_into_leaves(points: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Halve all rows along random directions until no part holds more than `LEAF_SIZE`."""
    rows, reordered = np.arange(len(points)), points.copy()  # rows of a part are contiguous
    parts, leaves = [(0, len(points))], []
    while parts:
        start, stop = parts.pop()
        n = stop - start
        if n <= LEAF_SIZE:
            leaves.append(rows[start:stop])
            continue
        # a direction through two of the rows follows the spread of the data
        first = int(rng.integers(n))
        second = (first + int(rng.integers(1, n))) % n
        part = reordered[start:stop]
        half = n // 2 + int(rng.integers(-n // 8, n // 8 + 1))
        order = np.argpartition(part @ (part[first] - part[second]), half)
        reordered[start:stop], rows[start:stop] = part[order], rows[start:stop][order]
        parts += [(start, start + half), (start + half, stop)]
    return leaves


def _pairs_in_leaves(
    points: np.ndarray, leaves: Sequence[np.ndarray], n_neighbors: int
) -> np.ndarray:
    """Return keys (first * n + second) of the near pairs of each leaf."""
    batches = group_indices(map(len, leaves), LEAVES_AT_ONCE)
    stacked = (np.stack([leaves[index] for index in batch]) for _, batch in batches)
    return np.concatenate([_near_pair_keys(points, rows, n_neighbors) for rows in stacked])


def _near_pair_keys(points: np.ndarray, rows: np.ndarray, n_neighbors: int) -> np.ndarray:
    """Return the keys for leaves of one size; `rows` has shape (n_leaves, size)."""
    n, size, members = len(points), rows.shape[1], points[rows]
    power = np.einsum("bij,bij->bi", members, members)
    squared = power[:, :, None] + power[:, None] - 2.0 * (members @ members.transpose(0, 2, 1))
    diagonal = np.arange(size)
    squared[:, diagonal, diagonal] = np.inf
    limit = np.ones((len(rows), size, 1), np.float32)
    if size > n_neighbors + 1:
        nth = np.partition(squared, n_neighbors - 1, axis=2)[:, :, n_neighbors - 1 : n_neighbors]
        limit = np.minimum(limit, nth)
    leaf, i, j = np.nonzero(squared <= limit)
    a, b = rows[leaf, i], rows[leaf, j]
    return np.minimum(a, b).astype(np.int64) * n + np.maximum(a, b)
