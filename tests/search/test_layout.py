"""Map layouts: similar hits lie together, repeatably, and new hits are placed near similar ones."""

from __future__ import annotations

import numpy as np
import pytest

from catalog.search.layout import (
    Layout,
    compute_pca_layout,
    compute_umap_layout,
    even_out,
    extend_layout,
    layout_features,
    reuse_layout,
)
from catalog.search.spaces import Spaces


def clusters(n_each: int, seed: int = 0) -> Spaces:
    rng = np.random.default_rng(seed)
    centers = 4.0 * np.eye(3, 20)
    alike = np.repeat(centers, n_each, axis=0) + 0.2 * rng.normal(size=(3 * n_each, 20))
    roles = np.full((3 * n_each, 20), 0.05)
    n = 3 * n_each
    return Spaces(np.arange(n) * 2, alike.astype(np.float32), alike.astype(np.float32), roles, 1.0)


def apart(xy: np.ndarray, n_each: int) -> float:
    """Smallest distance between clusters over the largest within."""
    group = np.arange(len(xy)) // n_each
    distance = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    same = group[:, None] == group[None]
    return float(distance[~same].min() / distance[same].max())


def test_pca_separates_clusters_and_is_repeatable():
    spaces = clusters(10)
    first, second = compute_pca_layout(spaces), compute_pca_layout(spaces)
    assert apart(first.xy, 10) > 1.0
    assert np.array_equal(first.xy, second.xy)
    assert np.abs(first.xy).max() <= 1.0


@pytest.mark.parametrize("n", [0, 1, 2])
def test_a_few_hits_have_positions_too(n):
    spaces = clusters(1)
    columns = (spaces.hit_ids, spaces.strokes, spaces.acoustic, spaces.roles)
    few = Spaces(*(column[:n] for column in columns), 1.0)
    layout = compute_pca_layout(few)
    assert layout.xy.shape == (n, 2)
    assert np.isfinite(layout.xy).all()


def test_umap_separates_clusters_and_puts_copies_on_the_kept_hit():
    spaces = clusters(15)
    representative = np.arange(45)
    representative[7] = 3
    layout = compute_umap_layout(spaces, representative, seed=1)
    assert layout.kind == "umap"
    assert apart(layout.xy, 15) > 0.5
    assert np.array_equal(layout.xy[7], layout.xy[3])


def test_few_hits_and_hits_without_a_stored_layout_are_laid_out_by_pca():
    assert compute_umap_layout(clusters(2), np.arange(6), seed=0).kind == "pca"
    none = Layout(np.zeros(0, np.int64), np.zeros((0, 2), np.float32), "")
    assert extend_layout(clusters(3), none).kind == "pca"


def test_a_new_hit_is_placed_near_similar_hits_and_the_others_do_not_move():
    spaces = clusters(10)
    whole = compute_pca_layout(spaces)
    known = np.arange(30) != 4
    layout = extend_layout(spaces, Layout(whole.hit_ids[known], whole.xy[known], "umap"))
    assert layout.kind == "placed"
    assert np.array_equal(layout.xy[known], whole.xy[known])
    assert apart(layout.xy, 10) > 1.0


def test_a_new_hit_lies_at_the_mean_of_its_five_nearest_weighted_by_inverse_distance():
    spaces = clusters(10)
    whole = compute_pca_layout(spaces)
    known = np.arange(30) != 4
    layout = extend_layout(spaces, Layout(whole.hit_ids[known], whole.xy[known], "umap"))
    points = layout_features(spaces).astype(np.float64)
    distance = np.linalg.norm(points - points[4], axis=1)
    nearest = np.argsort(distance)[1:6]
    weight = 1 / distance[nearest]
    expected = weight @ whole.xy[nearest] / weight.sum()
    np.testing.assert_allclose(layout.xy[4], expected, atol=1e-4)


def test_positions_of_missing_hits_are_dropped():
    spaces = clusters(3)
    whole = compute_pca_layout(spaces)
    more = Layout(np.append(whole.hit_ids, 999), np.vstack([whole.xy, [[0, 0]]]), "umap")
    layout = extend_layout(spaces, more)
    assert layout.kind == "umap"
    assert np.array_equal(layout.hit_ids, spaces.hit_ids)


def test_evening_out_keeps_the_order_on_each_axis_and_narrows_gaps():
    rng = np.random.default_rng(0)
    islands = np.vstack([rng.normal(-0.9, 0.01, (20, 2)), rng.normal(0.9, 0.01, (20, 2))])
    even = even_out(islands)
    for axis in (0, 1):
        assert np.array_equal(np.argsort(even[:, axis]), np.argsort(islands[:, axis]))
    assert even[20:].min() - even[:20].max() < 0.5 * (islands[20:].min() - islands[:20].max())
    assert np.abs(even).max() <= 1.0


def test_stored_positions_are_selected_by_id_in_any_order():
    known = Layout(np.array([7, 3, 9]), np.array([[7, 0], [3, 0], [9, 0]], np.float32), "umap")
    picked = reuse_layout(np.array([3, 9]), known)
    assert picked is not None
    assert picked.xy[:, 0].tolist() == [3, 9]
    assert picked.kind == "umap"
    assert reuse_layout(np.array([3, 4]), known) is None
    assert reuse_layout(np.array([10]), known) is None
