from __future__ import annotations

import pytest

from catalog.errors import ParameterError


def test_the_newest_version_of_each_kit_is_read(store):
    for name, payload in [("dry", "1"), ("wet", "2"), ("dry", "3")]:
        store.kits.save(name, payload)
    kits = [(kit.name, kit.payload) for kit in store.kits.read()]
    assert kits == [("dry", "3"), ("wet", "2")]  # a kit keeps its place through a save


def test_a_kit_needs_a_name(store):
    with pytest.raises(ParameterError, match="name is empty"):
        store.kits.save(" ", "{}")
