from __future__ import annotations


def test_groups_are_read_as_saved_with_their_key(store):
    assert store.group_cache.read() is None
    groups = [(1, ((2, "gain", 0.99), (3, "trim", 0.9))), (7, ((8, "same file", 1.0),))]
    store.group_cache.save(groups, key=5)
    assert store.group_cache.read() == (groups, 5)
