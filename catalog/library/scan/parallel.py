"""Work shared out among processes, answers in order; the only room that starts any."""

from __future__ import annotations

import contextlib
import itertools
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from typing import Any, TypeVar

from catalog.errors import ParameterError

Task = TypeVar("Task")


Answer = TypeVar("Answer")


def spread(
    work: Callable[[Sequence[Task]], Sequence[Answer]],
    tasks: Sequence[Task],
    n_jobs: int | None,
    *,
    size: int,
) -> Generator[Answer, None, None]:
    """Let joblib's workers do `work`, `size` tasks at a time.

    Parameters
    ----------
    work : callable, gives answers for some tasks, in order; it and the tasks can be pickled
    tasks : sequence
    n_jobs : int or None
        processes, -1 for all cores; None leaves it to joblib's own context
    size : int, tasks handed to a worker at once

    Yields
    ------
    the answers, in the order of the tasks

    Raises
    ------
    concurrent.futures.process.BrokenProcessPool
        if a worker dies
    """
    from joblib import Parallel, delayed

    ended = threading.Event()
    starts = itertools.takewhile(lambda _: not ended.is_set(), range(0, len(tasks), size))
    calls = (delayed(work)(tasks[at : at + size]) for at in starts)
    answers = Parallel(n_jobs=n_jobs, return_as="generator", batch_size=1)(calls)
    try:
        for some in answers:
            yield from some
    finally:  # where it is stopped, the few that are at work come home before the pool rests
        ended.set()
        for _ in answers:
            pass


def count_workers(n_jobs: int | None) -> int:
    """How many processes `spread` would use for `n_jobs`; at least 1."""
    from joblib import effective_n_jobs

    return int(effective_n_jobs(n_jobs))


CONNECT_S = 10  # long enough for a scheduler that is there


@contextlib.contextmanager
def on_cluster(address: str) -> Iterator[None]:
    """Let joblib work on a cluster within the block.

    Parameters
    ----------
    address : str
        of its scheduler, such as "tcp://127.0.0.1:8786"; the workers need this package, and see the
        recordings under the same paths

    Raises
    ------
    ParameterError
        if dask.distributed is not installed or no scheduler answers
    """
    import joblib

    try:
        from distributed import Client
    except ImportError as err:
        raise ParameterError("a cluster needs dask: pip install 'catalog[cluster]'") from err
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as err:
        raise ParameterError(f"no cluster answers at {address}: {err}") from err
    with client, joblib.parallel_config(backend="dask", client=client):
        yield


SERVE = "from catalog.library.scan.parallel import serve; serve()"


class ChildDied(RuntimeError):
    """The child ended while it worked."""


class Guarded:
    """Hands calls to a child, which is started when it is first needed and after each death."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None

    def call(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Let the child do `work`; both go to it, and the answer comes back, by pickle.

        Raises
        ------
        ChildDied
            if it ended; the next call has a new one
        """
        child = self._child = self._child or self._start()
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            child.stdin.write(pickle.dumps((work, arguments)))
            child.stdin.flush()
            return pickle.load(child.stdout)
        except (EOFError, OSError, pickle.UnpicklingError) as err:
            self.close()
            raise ChildDied from err

    def close(self) -> None:
        """End the child, if there is one."""
        child, self._child = self._child, None
        if child is not None:
            child.kill()
            child.communicate()

    def _start(self) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-c", SERVE]
        return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def serve() -> None:
    """Do what comes in by standard input until it ends; anything printed goes to standard error."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    while True:
        try:
            work, arguments = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        answers.write(pickle.dumps(work(*arguments)))
        answers.flush()
