"""Keep the memory that measuring frees, so that the kernel need not clear it again and again.

By default glibc returns large blocks to the kernel at once. Each array of a take then costs a page
fault for every 4 kB, a tenth of the time of measuring a long take. Other C libraries have no such
setting; nothing is changed there.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys
from collections.abc import Iterator

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3  # glibc, malloc.h
LARGEST_BLOCK = 1 << 25  # bytes; the most that glibc takes from its own memory by itself
KEPT_BYTES = 1 << 28  # of freed memory at most
USUAL_BYTES = 2 * LARGEST_BLOCK  # what glibc keeps by itself once such a block was freed


def keep_freed_memory() -> None:
    """Keep up to `KEPT_BYTES` of freed memory in this process."""
    _set_limit(KEPT_BYTES)


def return_freed_memory() -> None:
    """Return the memory that was kept to the kernel."""
    with contextlib.suppress(AttributeError):
        _c_library().malloc_trim(0)


@contextlib.contextmanager
def freed_memory_kept() -> Iterator[None]:
    """Keep freed memory for a while, in a process that does other things as well."""
    keep_freed_memory()
    try:
        yield
    finally:
        _set_limit(USUAL_BYTES)
        return_freed_memory()


def _set_limit(n_bytes: int) -> None:
    with contextlib.suppress(AttributeError):  # no glibc
        mallopt = _c_library().mallopt
        mallopt(M_MMAP_THRESHOLD, LARGEST_BLOCK)
        mallopt(M_TRIM_THRESHOLD, n_bytes)


def _c_library() -> ctypes.CDLL:
    if sys.platform != "linux":
        raise AttributeError("there is no glibc")
    return ctypes.CDLL(None)
