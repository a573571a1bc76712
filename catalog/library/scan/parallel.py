"""Work in several processes, on this machine or on a cluster; results come in order."""

from __future__ import annotations

import contextlib
import itertools
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from typing import TypeVar

from catalog.errors import ParameterError

CONNECT_S = 10  # a running scheduler responds much sooner

Task = TypeVar("Task")
Result = TypeVar("Result")


def parallel_map(
    function: Callable[[Sequence[Task]], Sequence[Result]],
    tasks: Sequence[Task],
    *,
    n_jobs: int | None,
    batch_size: int,
) -> Generator[Result, None, None]:
    """Call `function` for batches of tasks in processes; yield the results in order.

    The function and the tasks can be pickled. `n_jobs` is -1 for all cores, or None for the
    parallel configuration of joblib. Raise `BrokenProcessPool` if a process dies.
    """
    from joblib import Parallel, delayed

    stopped = threading.Event()
    starts = itertools.takewhile(lambda _: not stopped.is_set(), range(0, len(tasks), batch_size))
    calls = (delayed(function)(tasks[at : at + batch_size]) for at in starts)
    batches = Parallel(n_jobs=n_jobs, return_as="generator", batch_size=1)(calls)
    try:
        for batch in batches:
            yield from batch
    finally:  # if stopped early: let the few batches in progress finish before the pool is reused
        stopped.set()
        for _ in batches:
            pass


def count_workers(n_jobs: int | None) -> int:
    """Return how many processes `parallel_map` uses for `n_jobs`; at least 1."""
    from joblib import effective_n_jobs

    return int(effective_n_jobs(n_jobs))


@contextlib.contextmanager
def use_cluster(address: str) -> Iterator[None]:
    """Let joblib use the workers of the cluster at `address`, such as "tcp://127.0.0.1:8786".

    The workers need this package, and see the recordings under the same paths. Raise
    `ParameterError` if dask.distributed is not installed or no scheduler answers.
    """
    import joblib

    try:
        from distributed import Client
    except ImportError as err:
        text = "a cluster needs dask.distributed: pip install 'drum-hit-catalog[cluster]'"
        raise ParameterError(text) from err
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as err:
        raise ParameterError(f"no cluster scheduler responds at {address}: {err}") from err
    with client, joblib.parallel_config(backend="dask", client=client):
        yield
