"""Pairs worth comparing: neighbours in a space where edits of a recording change little.

The space is fitted (`catalog.training`): directions in which edits move a hit count little,
those that tell recordings apart count much. Neighbours come from trees of random cuts, whose cost
grows with n log n: a copy is far nearer than nearly everything else, so that few cuts part the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import StoreError
from catalog.features.measure import N_PICTURE, PICTURE_VERSION, standardize_pictures
from catalog.matching.prepare import batches

SPACE_FILE = Path(__file__).with_name("candidates.npz")
LEAF, N_TREES = 64, 24  # hits that are compared with one another, and how often they are cut anew
EXACT_UP_TO = 2_000  # hits; below it every distance is taken
N_NEAREST = 5  # of each hit
BLOCKS_AT_ONCE = 64  # a block takes 50 kB while it is asked
PAIRS_AT_ONCE = 65_536  # whose distances are taken


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
                f"{SPACE_FILE.name} was fitted on other numbers: run catalog.training again"
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
        found = [_near_in_blocks(points, [np.arange(n)], n_nearest, reach)]
    else:
        rng = np.random.default_rng(seed)
        cuts = (_cut(points, rng) for _ in range(N_TREES))
        found = [_near_in_blocks(points, blocks, n_nearest, reach) for blocks in cuts]
    keys = np.sort(np.concatenate(found))
    keys = keys[np.diff(keys, prepend=-1) > 0]  # np.unique takes ten times as long
    pairs = np.stack([keys // n, keys % n], axis=1)
    pairs, far = _nearest_of_each(pairs, _distances(points, pairs), n_nearest)
    return np.asarray(pairs[np.argsort(far, kind="stable")])


def _distances(points: np.ndarray, pairs: np.ndarray) -> np.ndarray:
    """Distances of pairs, from their differences: squares of norms lose the last digits."""
    far = np.empty(len(pairs), np.float32)
    for at in range(0, len(pairs), PAIRS_AT_ONCE):
        some = slice(at, at + PAIRS_AT_ONCE)
        apart = points[pairs[some, 0]] - points[pairs[some, 1]]
        far[some] = np.sqrt(np.einsum("ij,ij->i", apart, apart))
    return far


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
    pairs: np.ndarray, far: np.ndarray, n_nearest: int
) -> tuple[np.ndarray, np.ndarray]:
    """Keep a pair that is among the nearest of either of its rows, and its distance."""
    rows, both = pairs.T.ravel(), np.tile(np.arange(len(pairs)), 2)
    # floats that are not negative have the order of their bits: one sort for both
    order = np.argsort((rows << 32) | far[both].view(np.int32))
    starts = np.searchsorted(rows[order], np.arange(rows.max(initial=0) + 2))
    rank = np.arange(len(rows)) - np.repeat(starts[:-1], np.diff(starts))
    keep = np.unique(both[order][rank < n_nearest])
    return pairs[keep], far[keep]


def _cut(points: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Cut all rows in halves along random directions until no part holds more than `LEAF`."""
    rows, moved = np.arange(len(points)), points.copy()  # rows of a part lie one after the other
    parts, done = [(0, len(points))], []
    while parts:
        start, stop = parts.pop()
        n = stop - start
        if n <= LEAF:
            done.append(rows[start:stop])
            continue
        # the line through two of them cuts where the rows are, not where none is
        one = int(rng.integers(n))
        two = (one + int(rng.integers(1, n))) % n
        mine = moved[start:stop]
        half = n // 2 + int(rng.integers(-n // 8, n // 8 + 1))
        order = np.argpartition(mine @ (mine[one] - mine[two]), half)
        moved[start:stop], rows[start:stop] = mine[order], rows[start:stop][order]
        parts += [(start, start + half), (start + half, stop)]
    return done


def _near_in_blocks(
    points: np.ndarray, blocks: Sequence[np.ndarray], n_nearest: int, reach: float
) -> np.ndarray:
    """Keys (first * n + second) of the near pairs of each part; those of one size together."""
    sized = batches(map(len, blocks), BLOCKS_AT_ONCE)
    rows = (np.stack([blocks[at] for at in some]) for _, some in sized)
    return np.concatenate([_near(points, some, n_nearest, reach) for some in rows])


def _near(points: np.ndarray, rows: np.ndarray, n_nearest: int, reach: float) -> np.ndarray:
    """The same of parts of one size; `rows` has shape (n_parts, size)."""
    n, size, some = len(points), rows.shape[1], points[rows]
    power = np.einsum("bij,bij->bi", some, some)
    far = power[:, :, None] + power[:, None] - 2.0 * (some @ some.transpose(0, 2, 1))
    each = np.arange(size)
    far[:, each, each] = np.inf
    limit = np.full((len(rows), size, 1), np.float32(reach * reach))
    if size > n_nearest + 1:
        nearest = np.partition(far, n_nearest - 1, axis=2)[:, :, n_nearest - 1 : n_nearest]
        limit = np.minimum(limit, nearest)
    part, i, j = np.nonzero(far <= limit)
    a, b = rows[part, i], rows[part, j]
    return np.minimum(a, b).astype(np.int64) * n + np.maximum(a, b)
