"""Python's collector kept away while many objects are made, none of which is to be collected."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def out_of_sight() -> Iterator[None]:
    """Stop the collector until the block ends; where it was stopped before, it stays so.

    It looks at objects again and again as their number grows: 3 of 57 ms of a scan of 10,000 files
    that are as they were, in a process that holds little else.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
