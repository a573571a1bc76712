"""Work on a running dask cluster; results come in order, each once.

Before anything is sent, each worker states its versions, and whether it can read the recordings.
"""

from __future__ import annotations

import contextlib
import itertools
import logging
import pkgutil
import re
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from catalog.errors import ClusterError, ParameterError
from catalog.library.scan.processes.cluster_state import (
    CONNECT_S,
    Client,
    NoAnswer,
    call_within,
    check_files,
    check_workers,
    describe_difference,
    describe_loss,
    describe_missing,
    find_fault,
)
from catalog.library.scan.processes.parallel import AHEAD, call_with_worker

LOOK_S = 1.0  # between looks whether the scheduler and its workers are there, while waiting
CLOSE_S = 2.0  # a scheduler that was lost would never confirm the end of the connection
NO_WORKERS_S = 30.0  # without any worker; a supervisor starts one again within seconds
CLUSTER_ADDRESS = re.compile(r"(?:[a-z]+://)?\S+:\d{1,5}")
# Objects that must be equal here and on each worker, as `pkgutil.resolve_name` takes them.
PACKAGE = "catalog:__version__"
MEASURES = (
    "catalog.features:MEASURE_VERSION",
    "catalog.features.embedding:EMBEDDING_VERSION",
)
LOGGERS = ("distributed", "distributed.client")

Task = TypeVar("Task")
Result = TypeVar("Result")


class Cluster:
    """The workers of a running cluster, made by `open_cluster`."""

    def __init__(self, client: Client, address: str, versions: Mapping[str, object]) -> None:
        self._client, self._address, self._versions = client, address, versions

    def map(
        self,
        call: Callable[..., Sequence[Result]],
        tasks: Sequence[Task],
        *,
        batch_size: int,
    ) -> Generator[Result, None, None]:
        """Apply `call` to an `IsolatedWorker` and a batch of tasks each; yield results in order.

        `call` and the tasks can be pickled. A batch whose worker is lost is given to another one.

        Raises
        ------
        ClusterError
            if the scheduler or all workers are lost, or a worker that came later has other code
        """
        batches = (tasks[at : at + batch_size] for at in range(0, len(tasks), batch_size))
        waiting: deque[Any] = deque()
        try:
            while True:
                free = max(1, AHEAD * self._count_threads() - len(waiting))
                for batch in itertools.islice(batches, free):
                    waiting.append(
                        self._client.submit(run_batch, self._versions, call, batch, pure=False)
                    )
                if not waiting:
                    return
                yield from self._wait(waiting[0])
                waiting.popleft()
        finally:
            for future in waiting:
                future.release()

    def _count_threads(self) -> int:
        with self._translated():
            counts = call_within(CONNECT_S, self._client.nthreads)
        return sum(counts.values())

    def _wait(self, future: Any) -> Sequence[Any]:
        """Return the result of a batch; look after the cluster while it is not there."""
        had_workers = time.monotonic()
        while True:
            with self._translated():
                try:
                    return future.result(timeout=LOOK_S)
                except TimeoutError:
                    if future.done():  # the task itself ran out of time
                        raise
            if fault := find_fault(self._address):
                raise ClusterError(describe_loss(self._address, fault))
            if self._count_threads():
                had_workers = time.monotonic()
            elif time.monotonic() - had_workers > NO_WORKERS_S:
                raise ClusterError(
                    f"all workers of the cluster at {self._address} have ended; start some and"
                    " repeat the command: finished work is stored"
                )

    @contextlib.contextmanager
    def _translated(self) -> Iterator[None]:
        """Turn the errors of a lost cluster into `ClusterError`."""
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        try:
            yield
        except KilledWorker as err:
            raise ClusterError(
                f"workers of the cluster at {self._address} ended one after the other with the"
                " same files; look into their logs, or work without --cluster"
            ) from err
        except ImportError as err:  # of a worker that came later
            raise ClusterError(f"a worker that was started later {describe_missing(err)}") from err
        except NoAnswer as err:
            raise ClusterError(describe_loss(self._address, "it does not respond")) from err
        except TimeoutError:
            raise
        except (OSError, CancelledError) as err:
            raise ClusterError(describe_loss(self._address, "the connection was closed")) from err


@contextlib.contextmanager
def open_cluster(
    address: str, *, same: Sequence[str] = MEASURES, sees: Sequence[str | Path] = ()
) -> Iterator[Cluster]:
    """Connect to the cluster at `address`, such as "tcp://127.0.0.1:8786", and check its workers.

    Parameters
    ----------
    address : str, of the scheduler
    same : sequence of str
        names of objects, such as "catalog.features:MEASURE_VERSION", which must be equal on
        all workers; the version of the package is always compared
    sees : sequence of str or Path, files and folders that each worker must find

    Yields
    ------
    Cluster

    Raises
    ------
    ParameterError
        if dask.distributed is not installed, the address is none, or no scheduler responds
    ClusterError
        if there is no worker, or one has no or another version of this package, or does not find
        the files
    """
    try:
        from distributed import Client
    except ImportError as err:
        text = "a cluster needs dask.distributed: pip install 'drum-hit-catalog[cluster]'"
        raise ParameterError(text) from err
    if not CLUSTER_ADDRESS.fullmatch(address):  # a client of such an address ends after 20 s only
        raise ParameterError(f"cluster={address!r} must be an address such as tcp://127.0.0.1:8786")
    if fault := find_fault(address):
        text = f"no cluster scheduler responds at {address} ({fault}); start it, or omit --cluster"
        raise ParameterError(text)
    with _quiet_loggers():
        try:
            client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
        except (OSError, ValueError) as err:
            raise ParameterError(f"no cluster scheduler responds at {address} ({err})") from err
        try:
            versions = {name: pkgutil.resolve_name(name) for name in (PACKAGE, *same)}
            check_workers(client, address, versions)
            check_files(client, sees)
            yield Cluster(client, address, versions)
        finally:
            with contextlib.suppress(NoAnswer):
                call_within(CLOSE_S, client.close)


def run_batch(
    versions: Mapping[str, object], call: Callable[..., Sequence[Any]], batch: Sequence[Any]
) -> Sequence[Any]:
    """Do one batch on a worker, in a child process of it; raise `ClusterError` for other code."""
    for name, value in versions.items():
        if (here := pkgutil.resolve_name(name)) != value:
            raise ClusterError(
                f"a worker that was started later {describe_difference(name, here, value)}"
            )
    return call_with_worker(call, batch)


@contextlib.contextmanager
def _quiet_loggers() -> Iterator[None]:
    """Keep the library from printing what is raised as an error here."""
    levels = {name: logging.getLogger(name).level for name in LOGGERS}
    for name in LOGGERS:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, level in levels.items():
            logging.getLogger(name).setLevel(level)
