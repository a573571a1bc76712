"""A 2-D layout: near on the map means alike. Places are computed once and then stored."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np

from catalog.search.spaces import ACOUSTIC_WEIGHT, Spaces

N_NEIGHBORS = 15  # of UMAP: the size of the neighbourhoods that the map keeps together
MIN_DIST = 0.5  # of UMAP: dots of one drum stay apart enough to be picked; chosen by eye
MIN_FOR_UMAP = 20  # hits; fewer have no neighbourhoods to keep
EVENNESS = 0.6  # 0 leaves the islands of UMAP, 1 fills the map evenly; chosen by eye
N_PLACING = 5  # neighbours whose places a new hit takes the mean of
ROLE_SPREAD = 1.2  # how far roles move hits apart, against plain likeness; chosen by eye


@dataclass(frozen=True, eq=False)
class Layout:
    """Where each hit lies.

    Attributes
    ----------
    hit_ids : np.ndarray, int64, shape (n,)
    xy : np.ndarray, float32, shape (n, 2), within -1 to 1
    kind : str, "umap", "pca", or "placed" when hits came after the layout
    """

    hit_ids: np.ndarray
    xy: np.ndarray
    kind: str


def layout_features(spaces: Spaces) -> np.ndarray:
    """Coordinates whose distances the map shows: plain likeness beside the possible roles.

    Parameters
    ----------
    spaces : Spaces

    Returns
    -------
    np.ndarray, float32, shape (n, n_plain + n_roles)
    """
    return np.hstack([ACOUSTIC_WEIGHT * spaces.acoustic, ROLE_SPREAD * np.sqrt(spaces.roles)])


def compute_pca_layout(spaces: Spaces) -> Layout:
    """Lay out by the first two principal components: at once, and coarse.

    Parameters
    ----------
    spaces : Spaces

    Returns
    -------
    Layout
    """
    points = layout_features(spaces).astype(np.float64)
    points -= points.mean(axis=0) if len(points) else 0.0
    xy = np.zeros((len(points), 2))
    if len(points) > 1:
        _, vectors = np.linalg.eigh(points.T @ points)
        axes = vectors[:, -1:-3:-1]
        axes *= np.sign(axes[np.abs(axes).argmax(axis=0), [0, 1]])  # eigenvectors have no sign
        xy = points @ axes
    return Layout(spaces.hit_ids, _to_square(xy), "pca")


def compute_umap_layout(spaces: Spaces, representative: np.ndarray, *, seed: int) -> Layout:
    """Lay out by UMAP; copies lie on the hit that stands for them.

    Parameters
    ----------
    spaces : Spaces
    representative : np.ndarray, int, shape (n,)
        row that stands for each row, itself where it is no copy; equal points harm UMAP
    seed : int

    Returns
    -------
    Layout, "umap"; "pca" where there are too few hits for neighbourhoods

    References
    ----------
    L. McInnes, J. Healy and J. Melville, "UMAP: Uniform Manifold Approximation and Projection
    for Dimension Reduction", arXiv:1802.03426, 2018.
    """
    rows, where = np.unique(representative, return_inverse=True)
    if len(rows) < MIN_FOR_UMAP:
        return compute_pca_layout(spaces)
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # umap tells of its own use of one thread with a seed
        from umap import UMAP

        layout = UMAP(
            n_neighbors=min(N_NEIGHBORS, len(rows) - 1),
            min_dist=MIN_DIST,
            random_state=seed,
            n_jobs=1,
        )
        xy = layout.fit_transform(layout_features(spaces)[rows])
    return Layout(spaces.hit_ids, _even_out(_to_square(np.asarray(xy, np.float64)))[where], "umap")


def reuse_layout(hit_ids: np.ndarray, known: Layout) -> Layout | None:
    """Give hits the places that are known; nothing has to be compared for that.

    Parameters
    ----------
    hit_ids : np.ndarray, int64, shape (n,)
    known : Layout; ids that are no more are passed over

    Returns
    -------
    Layout, or None if a hit has no place yet
    """
    order = np.argsort(known.hit_ids, kind="stable")
    at = np.searchsorted(known.hit_ids, hit_ids, sorter=order)
    if len(hit_ids) and (not len(order) or at.max() >= len(order)):
        return None
    rows = order[at]
    if not np.array_equal(known.hit_ids[rows], hit_ids):
        return None
    return Layout(np.asarray(hit_ids, np.int64), known.xy[rows].reshape(-1, 2), known.kind)


def extend_layout(spaces: Spaces, known: Layout) -> Layout:
    """Give hits without a place the mean place of their nearest placed neighbours.

    Parameters
    ----------
    spaces : Spaces, of all hits
    known : Layout, of some of them; ids that are no more are passed over

    Returns
    -------
    Layout, of all hits
    """
    known_all = reuse_layout(spaces.hit_ids, known)
    if known_all is not None:
        return known_all
    place = {int(hit_id): xy for hit_id, xy in zip(known.hit_ids, known.xy, strict=True)}
    has = np.array([int(hit_id) in place for hit_id in spaces.hit_ids], bool)
    if not has.any():
        return compute_pca_layout(spaces)
    points = layout_features(spaces)
    xy = np.zeros((len(points), 2), np.float32)
    xy[has] = [place[int(i)] for i in spaces.hit_ids[has]]
    fixed = np.flatnonzero(has)
    for row in np.flatnonzero(~has):
        difference = points[fixed] - points[row]
        distance = np.einsum("ij,ij->i", difference, difference, dtype=np.float64)
        nearest = np.argsort(distance, kind="stable")[:N_PLACING]
        weight = 1.0 / (np.sqrt(distance[nearest]) + 1e-6)
        xy[row] = weight @ xy[fixed[nearest]] / weight.sum()
    return Layout(spaces.hit_ids, xy, "placed")


def _even_out(xy: np.ndarray) -> np.ndarray:
    """Draw islands together: each axis keeps its order, wide gaps shrink, crowds get room."""
    rank = np.argsort(np.argsort(xy, axis=0, kind="stable"), axis=0, kind="stable")
    even = 2.0 * rank / max(len(xy) - 1, 1) - 1.0
    return np.asarray((1.0 - EVENNESS) * xy + EVENNESS * even, dtype=np.float32)


def _to_square(xy: np.ndarray) -> np.ndarray:
    """Centre and scale into -1 to 1, both axes alike; a few outliers may not shrink the rest."""
    if len(xy) == 0:
        return np.zeros((0, 2), np.float32)
    low, high = np.percentile(xy, [1, 99], axis=0)
    half = max(float((high - low).max()) / 2, 1e-9)
    return np.clip((xy - (low + high) / 2) / half / 1.1, -1, 1).astype(np.float32)
