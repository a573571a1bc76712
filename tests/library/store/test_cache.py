"""Garbage collection is paused inside the block, and afterwards as it was before."""

from __future__ import annotations

import gc

import pytest

from catalog.library.store.cache import gc_paused


def test_collection_is_off_inside_and_on_again_after_an_exception():
    def fail():
        with gc_paused():
            seen.append(gc.isenabled())
            raise RuntimeError("a fault")

    seen: list[bool] = []
    with pytest.raises(RuntimeError, match="a fault"):
        fail()
    assert seen == [False]
    assert gc.isenabled()


def test_collection_stays_off_if_it_was_off():
    gc.disable()
    try:
        with gc_paused():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
