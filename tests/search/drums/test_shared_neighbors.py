"""Shared neighbors against a plain implementation, and what they are for."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.search.drums.shared_neighbors import rank_distances, shared_distances


def plain_shared(points, k=8, k_averaged=3):
    """Return the Jaccard distances from the first point, written from the text of the article.

    Zhong, Cao, Li, Zheng, "Re-ranking Person Re-identification with k-reciprocal Encoding", 2017:
    sections 3.2 (reciprocal sets and their expansion), 3.3 (weights), 3.4 (averaging).
    """
    n = len(points)
    distance = [[float(np.linalg.norm(a - b)) for b in points] for a in points]
    order = [sorted(range(n), key=lambda j: (j != i, distance[i][j])) for i in range(n)]

    def mutual(i, count):
        return {j for j in order[i][: count + 1] if i in order[j][: count + 1]}

    vectors = []
    for i in range(n):
        found = set(mutual(i, k))
        for j in mutual(i, k):
            half = mutual(j, k // 2)
            if len(mutual(i, k) & half) > 2 / 3 * len(half):
                found |= half
        total = sum(np.exp(-distance[i][j]) for j in found)
        vectors.append(
            [np.exp(-distance[i][j]) / total if j in found else 0.0 for j in range(n)]
        )  # fmt: skip
    means = [
        [sum(vectors[h][j] for h in order[i][:k_averaged]) / len(order[i][:k_averaged])
         for j in range(n)]
        for i in range(n)
    ]  # fmt: skip
    return [
        1.0 - sum(map(min, means[0], row)) / sum(map(max, means[0], row)) for row in means
    ]  # fmt: skip


@pytest.mark.parametrize("n", [1, 2, 8, 30])
def test_shared_neighbors_are_those_of_the_article(n):
    points = np.random.default_rng(n).normal(size=(n, 4))
    assert shared_distances(points) == pytest.approx(plain_shared(points), abs=1e-6)


def test_a_hit_shares_all_neighbors_with_itself_and_none_with_another_cluster():
    rng = np.random.default_rng(0)
    near, far = rng.normal(size=(12, 3)), 50.0 + rng.normal(size=(12, 3))
    shared = shared_distances(np.concatenate([near, far]))
    assert shared[0] == pytest.approx(0.0, abs=1e-9)
    assert (shared[12:] == 1.0).all()
    assert (shared[:12] < 1.0).any()


def test_a_stroke_between_two_drums_is_given_to_the_one_that_it_shares_neighbors_with():
    """Strokes of a tight drum and of a wide one: the wide one's outlier is near the tight drum."""
    rng = np.random.default_rng(1)
    tight = rng.normal(scale=0.05, size=(9, 8))
    wide = np.array([1.2] + [0.0] * 7) + rng.normal(scale=0.25, size=(9, 8))
    points = np.concatenate([wide, tight])
    query = int(np.argmin(np.linalg.norm(wide, axis=1)))
    order = [query, *(i for i in range(18) if i != query)]
    distances = np.linalg.norm(points[order] - points[query], axis=1)
    is_wide = np.array(order) < 9
    ranked = rank_distances(distances, shared_distances(points[order]))

    def n_wide(values):
        return int(is_wide[np.argsort(values)][1:9].sum())

    assert n_wide(ranked) > n_wide(distances)
