"""Whether a cluster responds, and whether its workers have the code and files of this machine."""

from __future__ import annotations

import contextlib
import os
import pkgutil
import queue
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from catalog.errors import ClusterError

CONNECT_S = 2  # a running scheduler responds much sooner
FIRST_WORKER_S = 2.0  # a worker that was just started appears within this time
STATE_S = 60.0  # a worker imports this package within this time, also from a slow drive

Client = Any  # of `distributed`, which has no types


def check_workers(client: Client, address: str, versions: Mapping[str, object]) -> None:
    """Raise `ClusterError` unless each worker has this version of the package."""
    with contextlib.suppress(TimeoutError):
        client.wait_for_workers(1, timeout=FIRST_WORKER_S)
    if not call_within(CONNECT_S, client.nthreads):
        raise ClusterError(
            f"the cluster at {address} has no worker; start some with `dask worker {address}`"
        )
    for name, value in versions.items():
        for worker, found in _state(client, pkgutil.resolve_name, name).items():
            if isinstance(found, ImportError | AttributeError):
                raise ClusterError(f"the worker {worker} {describe_missing(found)}") from found
            if found != value:
                raise ClusterError(f"the worker {worker} {describe_difference(name, found, value)}")


def check_files(client: Client, paths: Sequence[str | Path]) -> None:
    """Raise `ClusterError` unless each worker finds all files and folders."""
    for path in map(str, paths):
        for worker, found in _state(client, os.path.exists, path).items():
            if found is not True:
                raise ClusterError(
                    f"the worker {worker} does not find {path}; recordings must have the same"
                    " paths on all workers"
                )


def _state(client: Client, function: Callable[[str], object], argument: str) -> dict[str, Any]:
    """Call a function of the standard library on each worker; return results or errors."""
    try:
        found = call_within(STATE_S, partial(client.run, function, argument, on_error="return"))
    except NoAnswer:
        raise ClusterError(f"a worker did not state its version within {STATE_S:.0f} s") from None
    except (OSError, RuntimeError, ValueError) as err:
        raise ClusterError(f"the workers cannot be reached ({err}); start them again") from err
    return dict(found)


class NoAnswer(Exception):
    """A call to the scheduler did not return."""


def call_within(seconds: float, call: Callable[[], Any]) -> Any:
    """Call a function of a client in a thread of its own; raise `NoAnswer` if it takes longer."""
    answers: queue.SimpleQueue[tuple[Any, Exception | None]] = queue.SimpleQueue()

    def run() -> None:
        try:
            answers.put((call(), None))
        except Exception as err:  # raised below, in the thread of the caller
            answers.put((None, err))

    threading.Thread(target=run, daemon=True).start()
    try:
        found, error = answers.get(timeout=seconds)
    except queue.Empty:
        raise NoAnswer from None
    if error is not None:
        raise error
    return found


def describe_missing(err: Exception) -> str:
    """Return what a worker lacks that cannot import this package."""
    name = getattr(err, "name", None) or ""
    if name == "catalog":
        return (
            "has no package `catalog`; install this program in the Python that runs the worker,"
            " and start it again"
        )
    if isinstance(err, AttributeError) or name.startswith("catalog."):
        return f"has other code than this machine ({err}); install the same version there"
    return f"cannot load this program ({err}); install it there with all it needs"


def describe_difference(name: str, there: object, here: object) -> str:
    """Return how the code of a worker differs."""
    constant = name.partition(":")[2].strip("_")
    return (
        f"has other code: its {constant} is {there}, here it is {here}; install the same version"
        " there and start the worker again"
    )


def describe_loss(address: str, fault: str) -> str:
    """Return that the scheduler was lost, and what to do."""
    return (
        f"the cluster scheduler at {address} was lost ({fault}); start it and repeat the command:"
        " finished work is stored"
    )


def find_fault(address: str) -> str:
    """Return why no scheduler responds, "" if one does: a client tries for 20 s, or without end."""
    protocol, _, place = address.rpartition("://")
    host, _, port = place.rpartition(":")

    def probe() -> str:
        try:
            with socket.create_connection((host.strip("[]"), int(port)), CONNECT_S) as connection:
                # A scheduler begins the handshake; with TLS the client does.
                silent = protocol in ("", "tcp") and not connection.recv(1)
        except (OSError, OverflowError) as err:
            return str(err) or type(err).__name__
        return "it closes the connection" if silent else ""

    try:
        return str(call_within(CONNECT_S + 1, probe))
    except NoAnswer:  # a search for the host may take longer
        return "the host is not found"
