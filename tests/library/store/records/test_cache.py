from __future__ import annotations

import numpy as np
import pytest

from catalog.errors import ParameterError


def test_a_layout_is_read_as_saved(store):
    xy = np.array([[0.5, -1.25], [3.0, 1e-3]], dtype=np.float32)
    store.layouts.save([4, 9], xy, kind="umap", seed=0)
    ids, positions, kind = store.layouts.read()
    np.testing.assert_array_equal(ids, [4, 9])
    np.testing.assert_array_equal(positions, xy)
    assert (ids.dtype, kind) == (np.int64, "umap")


def test_positions_are_added_for_new_hits_only(store):
    store.layouts.add(np.array([1]), np.ones((1, 2)))
    assert store.layouts.read()[2] == ""  # no layout that it could be added to
    store.layouts.save([4, 9], np.zeros((2, 2)), kind="umap", seed=3)
    store.layouts.add(np.array([9, 2]), np.ones((2, 2)))
    ids, positions, kind = store.layouts.read()
    assert (ids.tolist(), kind) == ([4, 9, 2], "placed")
    assert positions.tolist() == [[0, 0], [0, 0], [1, 1]]


def test_without_a_layout_the_arrays_are_empty(store):
    ids, positions, kind = store.layouts.read()
    assert (ids.shape, positions.shape, kind) == ((0,), (0, 2), "")


def test_a_layout_needs_a_position_for_each_hit(store):
    with pytest.raises(ParameterError, match=r"xy has shape \(2, 2\); 1 hits"):
        store.layouts.save([1], np.zeros((2, 2)), kind="pca", seed=0)


def test_groups_are_read_as_saved_with_their_key(store):
    assert store.group_cache.read() is None
    groups = [
        (1, ((2, "gain", 0.99), (3, "trim", 0.9)), "kept: stereo"),
        (7, ((8, "same file", 1.0),), ""),
    ]
    store.group_cache.save(groups, key=5)
    assert store.group_cache.read() == (groups, 5)
