"""The two-dimensional layout of the map: similar hits lie close together."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass

import numpy as np

from catalog.search.spaces import ACOUSTIC_WEIGHT, Spaces

N_NEIGHBORS = 15  # UMAP: size of the neighborhoods that are preserved
MIN_DIST = 0.5  # UMAP: keeps dots of one drum far enough apart to be clicked; chosen by eye
MIN_HITS_FOR_UMAP = 20  # fewer hits form no neighborhoods
EVENNESS = 0.6  # 0 leaves the clusters as UMAP has them, 1 fills the map evenly; chosen by eye
N_PLACING = 5  # neighbors whose positions a new hit is averaged from
LAYOUT_ROLE_WEIGHT = 1.2  # of role probabilities against `ACOUSTIC_WEIGHT`; chosen by eye


@dataclass(frozen=True, eq=False)
class Layout:
    """Positions of hits on the map."""

    hit_ids: np.ndarray  # int64, shape (n,)
    xy: np.ndarray  # float32, shape (n, 2), within -1 to 1
    kind: str  # "umap", "pca", or "placed" when hits came after the layout


def layout_features(spaces: Spaces) -> np.ndarray:
    """Return the features that the layout is computed from: acoustic position and roles.

    They have shape (n, n_acoustic + n_roles), float32.
    """
    return np.hstack(
        [ACOUSTIC_WEIGHT * spaces.acoustic, LAYOUT_ROLE_WEIGHT * np.sqrt(spaces.roles)]
    )


def compute_pca_layout(spaces: Spaces) -> Layout:
    """Compute a layout from the first two principal components: instant but coarse."""
    points = layout_features(spaces).astype(np.float64)
    points -= points.mean(axis=0) if len(points) else 0.0
    xy = np.zeros((len(points), 2))
    if len(points) > 1:
        _, vectors = np.linalg.eigh(points.T @ points)
        axes = vectors[:, -1:-3:-1]
        axes *= np.sign(axes[np.abs(axes).argmax(axis=0), [0, 1]])  # their sign is arbitrary
        xy = points @ axes
    return Layout(spaces.hit_ids, _normalize(xy), "pca")


def compute_umap_layout(spaces: Spaces, representative: np.ndarray, *, seed: int) -> Layout:
    """Compute a layout by UMAP, with copies on top of the hit that is kept.

    Parameters
    ----------
    representative : np.ndarray, int, shape (n,)
        the kept row of each group of copies, else the row itself; UMAP suffers from equal points

    Returns
    -------
    Layout
        of kind "umap", or "pca" with fewer than `MIN_HITS_FOR_UMAP` hits

    References
    ----------
    L. McInnes, J. Healy and J. Melville, "UMAP: Uniform Manifold Approximation and Projection
    for Dimension Reduction", arXiv:1802.03426, 2018.
    """
    rows, inverse = np.unique(representative, return_inverse=True)
    if len(rows) < MIN_HITS_FOR_UMAP:
        return compute_pca_layout(spaces)
    xy = _normalize(_umap(layout_features(spaces)[rows], seed=seed))
    return Layout(spaces.hit_ids, even_out(xy)[inverse], "umap")


def _umap(features: np.ndarray, *, seed: int) -> np.ndarray:
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # umap warns that a seed limits it to one thread
        from umap import UMAP

        reducer = UMAP(
            n_neighbors=min(N_NEIGHBORS, len(features) - 1),
            min_dist=MIN_DIST,
            random_state=seed,
            n_jobs=1,
        )
        return np.asarray(reducer.fit_transform(features), np.float64)


def reuse_layout(hit_ids: np.ndarray, stored: Layout) -> Layout | None:
    """Select the stored positions of the given hits, without comparing any hits.

    Return None if a hit has no stored position; `stored` may hold other hits too.
    """
    order = np.argsort(stored.hit_ids, kind="stable")
    found = np.searchsorted(stored.hit_ids, hit_ids, sorter=order)
    if len(hit_ids) and (not len(order) or found.max() >= len(order)):
        return None
    rows = order[found]
    if not np.array_equal(stored.hit_ids[rows], hit_ids):
        return None
    return Layout(np.asarray(hit_ids, np.int64), stored.xy[rows].reshape(-1, 2), stored.kind)


def extend_layout(spaces: Spaces, stored: Layout) -> Layout:
    """Place hits without a stored position at the weighted mean of their nearest neighbors.

    The result holds all hits of `spaces`; `stored` may hold other hits too.
    """
    complete = reuse_layout(spaces.hit_ids, stored)
    if complete is not None:
        return complete
    is_placed = np.isin(spaces.hit_ids, stored.hit_ids)
    if not is_placed.any():
        return compute_pca_layout(spaces)
    features = layout_features(spaces)
    placed, new = np.flatnonzero(is_placed), np.flatnonzero(~is_placed)
    xy = np.zeros((len(features), 2), np.float32)
    order = np.argsort(stored.hit_ids, kind="stable")
    found = np.searchsorted(stored.hit_ids, spaces.hit_ids[placed], sorter=order)
    xy[placed] = stored.xy[order[found]]
    xy[new] = _place(features[new], features[placed], xy[placed])
    return Layout(spaces.hit_ids, xy, "placed")


def _place(new: np.ndarray, placed: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Return a position for each new row: the weighted mean of its nearest placed rows.

    `new` and `placed` have shapes (n, d) and (m, d), `xy` has shape (m, 2). Weights are the inverse
    distances.
    """
    from sklearn.neighbors import NearestNeighbors

    search = NearestNeighbors(n_neighbors=min(N_PLACING, len(placed)), algorithm="brute")
    distance, nearest = search.fit(placed).kneighbors(new)
    weight = 1.0 / (distance.astype(np.float64) + 1e-6)
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("ij,ijk->ik", weight, xy[nearest]), np.float32)


def even_out(xy: np.ndarray, *, share: float = EVENNESS) -> np.ndarray:
    """Blend each axis with its ranks: the order stays, wide gaps shrink, dense parts widen.

    `xy` has shape (n, 2), within -1 to 1; `share` is that of the ranks, 0 to 1.
    """
    rank = np.argsort(np.argsort(xy, axis=0, kind="stable"), axis=0, kind="stable")
    even = 2.0 * rank / max(len(xy) - 1, 1) - 1.0
    return np.asarray((1.0 - share) * xy + share * even, dtype=np.float32)


def fill_ground(layout: Layout) -> np.ndarray:
    """Return the positions of a layout; those of a provisional one by their ranks on each axis.

    Its first components leave most hits in one corner; ranks keep their order and use all space.
    """
    return even_out(layout.xy, share=1.0) if layout.kind == "pca" else layout.xy


def _normalize(xy: np.ndarray) -> np.ndarray:
    """Center and scale both axes equally into -1 to 1, with outliers clipped."""
    if len(xy) == 0:
        return np.zeros((0, 2), np.float32)
    low, high = np.percentile(xy, [1, 99], axis=0)
    half = max(float((high - low).max()) / 2, 1e-9)
    return np.clip((xy - (low + high) / 2) / half / 1.1, -1, 1).astype(np.float32)
