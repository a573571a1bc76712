"""Pairs worth comparing: neighbours in a space where edits of a recording change little.

The space is fitted (`catalog.search.fitting`): directions in which edits move a hit count little,
those that tell recordings apart count much. Neighbours come from trees of random cuts, whose cost
grows with n log n: a copy is far nearer than nearly everything else, so that few cuts part the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.sound.measure import N_PICTURE, PICTURE_VERSION, standardize_pictures

SPACE_FILE = Path(__file__).with_name("space.npz")
LEAF, N_TREES = 64, 16  # hits that are compared with one another, and how often they are cut anew
EXACT_UP_TO = 2_000  # hits; below it every distance is taken
N_NEAREST = 5  # of each hit
ROWS_AT_ONCE = 512


@dataclass(frozen=True, eq=False)
class CopySpace:
    """Arrays of the space.

    Attributes
    ----------
    mean, scale : np.ndarray, shape (N_PICTURE,)
    axes : np.ndarray, shape (N_PICTURE, n_dims)
    reach : float, distance within which nearly all edited copies lie
    """

    mean: np.ndarray
    scale: np.ndarray
    axes: np.ndarray
    reach: float

    def save(self, path: Path) -> None:
        """Write the arrays and the version of the pictures that they were fitted on."""
        np.savez_compressed(
            path,
            allow_pickle=False,
            version=PICTURE_VERSION,
            mean=self.mean.astype(np.float32),
            scale=self.scale.astype(np.float32),
            axes=self.axes.astype(np.float16),
            reach=self.reach,
        )


@lru_cache(maxsize=1)
def load_space() -> CopySpace:
    """Load the shipped space.

    Raises
    ------
    StoreError
        if it was fitted on numbers of another version
    """
    with np.load(SPACE_FILE, allow_pickle=False) as file:
        if int(file["version"]) != PICTURE_VERSION or len(file["mean"]) != N_PICTURE:
            raise StoreError(
                f"{SPACE_FILE.name} was fitted on other numbers: run catalog.search.fitting again"
            )
        axes = file["axes"].astype(np.float32)
        return CopySpace(file["mean"], file["scale"], axes, float(file["reach"]))


def copy_points(pictures: np.ndarray, space: CopySpace | None = None) -> np.ndarray:
    """Place hits in the space, in units of its reach.

    Parameters
    ----------
    pictures : np.ndarray, shape (n, N_PICTURE)
    space : CopySpace, the shipped one by default

    Returns
    -------
    np.ndarray, float32, shape (n, n_dims)
    """
    space = space or load_space()
    rows = standardize_pictures(pictures, space.mean, space.scale)
    return np.asarray(rows @ space.axes / space.reach, np.float32)


def near_pairs(
    points: np.ndarray, *, n_nearest: int = N_NEAREST, reach: float = 1.0, seed: int = 0
) -> np.ndarray:
    """Pairs of rows within `reach`, for each row its nearest ones.

    Parameters
    ----------
    points : np.ndarray, shape (n, n_dims)
    n_nearest : int, pairs at most that a row asks for
    reach : float
    seed : int, of the cuts

    Returns
    -------
    np.ndarray, int, shape (n_pairs, 2), first below second, each pair once, the nearest pair first
    """
    n = len(points)
    if n < 2:
        return np.zeros((0, 2), int)
    points = np.asarray(points, np.float32)
    if n <= EXACT_UP_TO:
        blocks = [np.arange(n)]
        found = [_near_in_block(points, blocks[0], n_nearest, reach)]
    else:
        rng = np.random.default_rng(seed)
        found = []
        for _ in range(N_TREES):
            for block in _cut(points, rng):
                found.append(_near_in_block(points, block, n_nearest, reach))
    keys = np.concatenate([key for key, _ in found])
    far = np.concatenate([distance for _, distance in found])
    keys, first = np.unique(keys, return_index=True)
    keys, far = _nearest_of_each(keys, far[first], n, n_nearest)
    order = np.argsort(far, kind="stable")
    return np.stack([keys[order] // n, keys[order] % n], axis=1)


def order_pairs(pairs: np.ndarray, n: int) -> np.ndarray:
    """Order pairs so that most pairs of a row lie close to each other: few rows are kept at hand.

    Parameters
    ----------
    pairs : np.ndarray, int, shape (n_pairs, 2)
    n : int, rows

    Returns
    -------
    np.ndarray, the same pairs in another order

    References
    ----------
    E. Cuthill and J. McKee, "Reducing the bandwidth of sparse symmetric matrices", Proc. 24th
    Nat. Conf. ACM, 1969.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import reverse_cuthill_mckee

    both = np.concatenate([pairs, pairs[:, ::-1]])
    graph = coo_array((np.ones(len(both), np.int8), (both[:, 0], both[:, 1])), (n, n)).tocsr()
    rank = np.empty(n, int)
    rank[reverse_cuthill_mckee(graph, symmetric_mode=True)] = np.arange(n)
    place = np.sort(rank[pairs], axis=1)
    return np.asarray(pairs[np.lexsort((place[:, 1], place[:, 0]))])


def _nearest_of_each(
    keys: np.ndarray, far: np.ndarray, n: int, n_nearest: int
) -> tuple[np.ndarray, np.ndarray]:
    """Keep a pair that is among the nearest of either of its rows."""
    rows = np.concatenate([keys // n, keys % n])
    pair = np.tile(np.arange(len(keys)), 2)
    order = np.lexsort((far[pair], rows))
    rows = rows[order]
    rank = np.arange(len(rows)) - np.searchsorted(rows, rows, side="left")
    keep = np.unique(pair[order][rank < n_nearest])
    return keys[keep], far[keep]


def _cut(points: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Cut all rows in halves along random directions until no part holds more than `LEAF`."""
    parts, done = [np.arange(len(points))], []
    while parts:
        part = parts.pop()
        if len(part) <= LEAF:
            done.append(part)
            continue
        # the line through two of them cuts where the rows are, not where none is
        one, two = rng.choice(part, 2, replace=False)
        along = points[part] @ (points[one] - points[two])
        order = np.argsort(along, kind="stable")
        half = len(part) // 2 + int(rng.integers(-len(part) // 8, len(part) // 8 + 1))
        parts += [part[order[:half]], part[order[half:]]]
    return done


def _near_in_block(
    points: np.ndarray, block: np.ndarray, n_nearest: int, reach: float
) -> tuple[np.ndarray, np.ndarray]:
    """Keys (first * n + second) and distances of the near pairs of one part."""
    n, some = len(points), points[block]
    power = np.einsum("ij,ij->i", some, some)
    keys, distances = [], []
    for at in range(0, len(block), ROWS_AT_ONCE):
        rows = slice(at, at + ROWS_AT_ONCE)
        far = power[rows, None] + power[None] - 2.0 * (some[rows] @ some.T)
        mine = np.arange(at, min(at + ROWS_AT_ONCE, len(block)))
        far[np.arange(len(mine)), mine] = np.inf
        if len(block) > n_nearest + 1:
            limit = np.partition(far, n_nearest - 1, axis=1)[:, n_nearest - 1 : n_nearest]
        else:
            limit = np.full((len(mine), 1), np.inf)
        i, j = np.nonzero(far <= np.minimum(limit, reach * reach))
        a, b = block[mine[i]], block[j]
        keys.append(np.minimum(a, b).astype(np.int64) * n + np.maximum(a, b))
        distances.append(np.sqrt(np.maximum(far[i, j], 0.0)))
    return np.concatenate(keys), np.concatenate(distances)
