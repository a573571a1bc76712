"""The collector rests inside, and is afterwards as it was."""

from __future__ import annotations

import gc

import pytest

from catalog.library.store.cache import gc_paused


def test_it_rests_inside_and_works_again_after_a_fault():
    def fail():
        with gc_paused():
            seen.append(gc.isenabled())
            raise RuntimeError("a fault")

    seen: list[bool] = []
    with pytest.raises(RuntimeError, match="a fault"):
        fail()
    assert seen == [False]
    assert gc.isenabled()


def test_where_it_was_stopped_it_stays_so():
    gc.disable()
    try:
        with gc_paused():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
