"""Work in several processes, on this machine or on a cluster; results come in order."""

from __future__ import annotations

import atexit
import contextlib
import itertools
import queue
import re
import socket
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from catalog.errors import ParameterError
from catalog.library.scan.isolated import IsolatedWorker

CONNECT_S = 2  # a running scheduler responds much sooner
CLUSTER_ADDRESS = re.compile(r"(?:[a-z]+://)?\S+:\d{1,5}")
AHEAD = 2  # batches for each worker that are started before the first result is taken

Task = TypeVar("Task")
Result = TypeVar("Result")
Call = Callable[[IsolatedWorker, Sequence[Task]], Sequence[Result]]

_idle: list[IsolatedWorker] = []  # their children go on waiting for a while


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
    if n_jobs is not None:
        yield from map_with_workers(
            lambda worker, batch: worker.call(function, batch),
            tasks,
            n_jobs=n_jobs,
            batch_size=batch_size,
        )
        return
    from joblib import Parallel, delayed

    stopped = threading.Event()
    starts = itertools.takewhile(lambda _: not stopped.is_set(), range(0, len(tasks), batch_size))
    calls = (delayed(function)(tasks[at : at + batch_size]) for at in starts)
    batches = Parallel(return_as="generator", batch_size=1)(calls)
    try:
        for batch in batches:
            yield from batch
    finally:  # if stopped early: let the few batches in progress finish before the pool is reused
        stopped.set()
        for _ in batches:
            pass


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


def count_workers(n_jobs: int | None) -> int:
    """Return how many processes `parallel_map` uses for `n_jobs`; at least 1."""
    from joblib import effective_n_jobs

    return int(effective_n_jobs(n_jobs))


@contextlib.contextmanager
def use_cluster(address: str) -> Iterator[None]:
    """Let joblib use the workers of the cluster at `address`, such as "tcp://127.0.0.1:8786".

    The workers need this package, and see the recordings under the same paths. Raise
    `ParameterError` if dask.distributed is not installed, the address is none, or no scheduler
    answers.
    """
    import joblib

    try:
        from distributed import Client
    except ImportError as err:
        text = "a cluster needs dask.distributed: pip install 'drum-hit-catalog[cluster]'"
        raise ParameterError(text) from err
    if not CLUSTER_ADDRESS.fullmatch(address):  # a client of such an address ends after 20 s only
        raise ParameterError(f"cluster={address!r} must be an address such as tcp://127.0.0.1:8786")
    _check_scheduler(address)
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as err:
        raise ParameterError(f"no cluster scheduler responds at {address} ({err})") from err
    with client, joblib.parallel_config(backend="dask", client=client):
        yield


def _check_scheduler(address: str) -> None:
    """Raise `ParameterError` if nothing responds: a client tries for 20 s, or without end."""
    protocol, _, place = address.rpartition("://")
    host, _, port = place.rpartition(":")
    answers: queue.SimpleQueue[str] = queue.SimpleQueue()

    def probe() -> None:
        try:
            with socket.create_connection((host.strip("[]"), int(port)), CONNECT_S) as connection:
                # A scheduler begins the handshake; with TLS the client does.
                silent = protocol in ("", "tcp") and not connection.recv(1)
            answers.put("it closes the connection" if silent else "")
        except (OSError, OverflowError) as err:
            answers.put(str(err) or type(err).__name__)

    threading.Thread(target=probe, daemon=True).start()  # a search for the host may take longer
    try:
        fault = answers.get(timeout=CONNECT_S + 1)
    except queue.Empty:
        fault = "the host is not found"
    if fault:
        text = f"no cluster scheduler responds at {address} ({fault}); start it, or scan without it"
        raise ParameterError(text)
