"""Work shared out among processes, answers in order; the only room that starts any."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Generator, Sequence
from typing import TypeVar

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
