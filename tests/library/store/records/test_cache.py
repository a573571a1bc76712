from __future__ import annotations

import numpy as np
import pytest

from catalog.errors import ParameterError
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.records import cache
from catalog.library.store.records.cache import EqualFiles


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
    revision = store.revision()
    store.layouts.add(np.array([9, 2]), np.ones((2, 2)))
    assert store.revision() == revision  # no hit has changed
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


def test_equal_files_are_found_again_only_once_a_hit_was_measured(store, library, monkeypatch):
    monkeypatch.setattr(cache, "MANY_HITS", 1)
    scan_folders(store, [library], n_jobs=1)
    assert EqualFiles(store.database).read() == []
    with store.writing():  # as a role that is set
        pass
    stored = store.learned.read(cache.EQUAL_FILES, cache.EQUAL_FILES_VERSION)
    assert stored is not None
    source = store.hits.read()[0].path
    source.with_name("twin.wav").write_bytes(source.read_bytes())
    scan_folders(store, [library], n_jobs=1)
    twins = {hit.id for hit in store.hits.read() if hit.path.name in ("twin.wav", source.name)}
    assert len(twins) > 1
    assert set(EqualFiles(store.database).read()) == twins


def test_equal_files_found_while_the_store_changed_are_not_stored(store):
    learned, revision = cache.Learned({"ids": []}, np.zeros((0, 0), np.float32)), store.revision()
    with store.writing():  # as another process does that measures a hit
        pass
    store.learned.save(cache.EQUAL_FILES, 1, learned, revision=revision)
    assert store.learned.read(cache.EQUAL_FILES, 1) is None
