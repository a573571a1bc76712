"""Memory that measuring frees is kept in a worker, and returned where other things go on."""

from __future__ import annotations

import ctypes
import sys

import numpy as np
import pytest

from catalog.library.scan.processes.isolated import IsolatedWorker
from catalog.library.scan.processes.memory import freed_memory_kept

N_BYTES, N_TIMES = 24_000_000, 5
has_glibc = sys.platform == "linux" and hasattr(ctypes.CDLL(None), "mallopt")
pytestmark = pytest.mark.skipif(not has_glibc, reason="only glibc returns each large block")


def count_page_faults() -> int:
    """Return how often the kernel gives pages while arrays are made anew."""
    import resource

    make_arrays()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    make_arrays()
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before


def make_arrays() -> None:
    """Fill some arrays, and free them."""
    assert len([np.ones(N_BYTES, np.uint8) for _ in range(N_TIMES)]) == N_TIMES


def resident_after_use() -> tuple[int, int]:
    """Return the resident bytes within `freed_memory_kept` after use, and after it."""
    import psutil

    with freed_memory_kept():
        make_arrays()
        within = psutil.Process().memory_info().rss
    return within, psutil.Process().memory_info().rss


def test_a_worker_uses_the_memory_of_freed_arrays_again():
    worker = IsolatedWorker()
    try:
        assert worker.call(count_page_faults) < 10
    finally:
        worker.close()


def test_memory_is_returned_after_measuring_in_this_process():
    worker = IsolatedWorker()
    try:
        within, after = worker.call(resident_after_use)
    finally:
        worker.close()
    assert within - after > 0.8 * N_BYTES * N_TIMES
