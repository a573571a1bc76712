"""Work in several processes of this machine; results come in order."""

from __future__ import annotations

import atexit
import contextlib
import queue
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from typing import TypeVar

from catalog.library.scan.processes.isolated import IsolatedWorker

AHEAD = 2  # batches for each worker that are started before the first result is taken

Task = TypeVar("Task")
Result = TypeVar("Result")
Call = Callable[[IsolatedWorker, Sequence[Task]], Sequence[Result]]

_idle: list[IsolatedWorker] = []  # their children go on waiting for a while


def parallel_map(
    function: Callable[[Sequence[Task]], Sequence[Result]],
    tasks: Sequence[Task],
    *,
    n_jobs: int,
    batch_size: int,
) -> Generator[Result, None, None]:
    """Call `function` for batches of tasks in processes; yield the results in order.

    The function and the tasks can be pickled. `n_jobs` is -1 for all cores. Raise
    `BrokenProcessPool` if a process dies.
    """
    call = partial(call_in, function)
    yield from map_with_workers(call, tasks, n_jobs=n_jobs, batch_size=batch_size)


def call_in(
    function: Callable[[Sequence[Task]], Sequence[Result]],
    worker: IsolatedWorker,
    batch: Sequence[Task],
) -> Sequence[Result]:
    """Call `function` for a batch in the child process of a worker."""
    results: Sequence[Result] = worker.call(function, batch)
    return results


def call_with_worker(call: Call[Task, Result], batch: Sequence[Task]) -> Sequence[Result]:
    """Apply `call` to a worker that is free and to a batch; several threads may do so at once."""
    (worker,) = _take_workers(1)
    try:
        return call(worker, batch)
    finally:
        _idle.append(worker)


def map_with_workers(
    call: Call[Task, Result], tasks: Sequence[Task], *, n_jobs: int, batch_size: int
) -> Generator[Result, None, None]:
    """Apply `call` to a worker and a batch of tasks each; yield the results in order.

    It runs in as many threads as there are workers. If the caller stops early, the workers are
    killed.
    """
    n_batches = -(-len(tasks) // batch_size)
    workers = _take_workers(min(count_workers(n_jobs), n_batches))
    free = queue.SimpleQueue[IsolatedWorker]()

    def run(batch: Sequence[Task]) -> Sequence[Result]:
        worker = free.get()
        try:
            return call(worker, batch)
        finally:
            free.put(worker)

    batches = (tasks[at : at + batch_size] for at in range(0, len(tasks), batch_size))
    with ThreadPoolExecutor(max(1, len(workers)), thread_name_prefix="scan") as threads:
        try:
            for worker in workers:
                free.put(worker)
            yield from _map_in_order(threads, run, batches, n_ahead=AHEAD * len(workers))
        except BaseException:  # the caller closed the generator, or something failed
            for worker in workers:
                worker.stop()
            threads.shutdown(cancel_futures=True)
            for worker in workers:
                worker.close()
            raise
    _idle.extend(workers)


def _map_in_order(
    threads: ThreadPoolExecutor,
    run: Callable[[Sequence[Task]], Sequence[Result]],
    batches: Iterable[Sequence[Task]],
    *,
    n_ahead: int,
) -> Iterator[Result]:
    waiting: deque[Future[Sequence[Result]]] = deque()
    for batch in batches:
        waiting.append(threads.submit(run, batch))
        if len(waiting) >= n_ahead:
            yield from waiting.popleft().result()
    while waiting:
        yield from waiting.popleft().result()


def _take_workers(n: int) -> list[IsolatedWorker]:
    workers = list[IsolatedWorker]()
    with contextlib.suppress(IndexError):
        while len(workers) < n:
            workers.append(_idle.pop())
    return workers + [IsolatedWorker() for _ in range(n - len(workers))]


@atexit.register
def _close_idle() -> None:
    while _idle:
        _idle.pop().close()


def count_workers(n_jobs: int) -> int:
    """Return how many processes `parallel_map` uses for `n_jobs`; at least 1."""
    from joblib import effective_n_jobs

    return int(effective_n_jobs(n_jobs))
