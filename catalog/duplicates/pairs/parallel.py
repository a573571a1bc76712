"""Classify many pairs in several processes; only file locations and results are sent.

A task is a run of neighboring pairs, so that a worker decodes most hits only once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path

from catalog.audio.channels import mix_channels, pick_channels
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.library.scan.processes.cluster import Cluster
from catalog.library.scan.processes.parallel import call_in, count_workers, parallel_map
from catalog.library.scan.stereo_pairs import decode_sides
from catalog.matching.origin.compare import compare_origin
from catalog.matching.origin.model import Origin
from catalog.matching.verdict import Classification, classify_pairs
from catalog.matching.views import ChannelViews, prepare_views
from catalog.models import Hit

TASK_PAIRS = 2048  # with 3.5 pairs a hit, a fifth of the hits are decoded in two tasks
REMOTE_TASK_PAIRS = 512  # on a cluster, where a lost worker loses half a second of work
MIN_TASKS_PER_WORKER = 4  # so that no worker waits long for another
MAX_SERIAL_PAIRS = 512  # classified here before worker processes would have started
MAX_SERIAL_COPIES = 64  # compared here before worker processes would have started
TASK_COPIES = 16  # pairs of copies, about 15 ms each
BATCH_PAIRS = 256  # classified at once, with all their hits in memory
MAX_PREPARED = 512  # hits in a worker's memory, about 150 kB each and three times that in stereo


@dataclass(frozen=True)
class HitSource:
    """Where to read the samples of a hit, and how to mix its channels."""

    content_hash: str  # makes the cache of prepared hits miss when a file is replaced
    path: Path
    start: int
    stop: int
    mix: str
    mate: Path | None
    channels: tuple[int, ...] = ()


SourcePairs = Sequence[tuple[HitSource, HitSource]]


def classify_many(
    pairs: Sequence[tuple[Hit, Hit]],
    mix_of: Callable[[Hit], str],
    *,
    n_jobs: int = -1,
    max_serial: int = MAX_SERIAL_PAIRS,
    cluster: Cluster | None = None,
) -> Iterator[Classification | None]:
    """Classify pairs in order, in several processes if there are many.

    Parameters
    ----------
    pairs : sequence of (Hit, Hit), with neighbors next to each other
    mix_of : callable, returns how the channels of a hit are mixed
    n_jobs : int, processes, -1 for one on each core
    max_serial : int, up to so many pairs are classified in this process
    cluster : Cluster, optional, whose workers classify the pairs instead of processes here

    Yields
    ------
    Classification, or None if the samples of one hit cannot be read

    Raise `concurrent.futures.process.BrokenProcessPool` if a worker dies, and `ClusterError` if the
    cluster is lost.
    """
    hits = {hit.id: hit for pair in pairs for hit in pair}
    sources = {i: _to_source(hit, mix_of(hit)) for i, hit in hits.items()}
    source_pairs = [(sources[first.id], sources[second.id]) for first, second in pairs]
    if len(pairs) <= max_serial:
        for batch in _batches(source_pairs, BATCH_PAIRS):
            yield from _classify_batch(batch)
        return
    if cluster is not None:
        tasks = _batches(source_pairs, REMOTE_TASK_PAIRS)
        found = cluster.map(partial(call_in, _classify_tasks), tasks, batch_size=1)
    else:
        tasks = _batches(source_pairs, _task_size(len(pairs), n_jobs))
        found = parallel_map(_classify_tasks, tasks, n_jobs=n_jobs, batch_size=1)
    with closing(found) as results:
        yield from results


def compare_origins(
    pairs: Sequence[tuple[Hit, Hit]],
    mix_of: Callable[[Hit], str],
    *,
    n_jobs: int = -1,
    max_serial: int = MAX_SERIAL_COPIES,
    cluster: Cluster | None = None,
) -> Iterator[Origin | None]:
    """Compare pairs of copies, in order: which was made from the other.

    See `classify_many` for the parameters.

    Yields
    ------
    Origin, or None if the samples of one hit cannot be read
    """
    sources = [(_to_source(a, mix_of(a)), _to_source(b, mix_of(b))) for a, b in pairs]
    if len(pairs) <= max_serial:
        for pair in sources:
            yield from _compare_tasks([pair])
        return
    if cluster is not None:
        found = cluster.map(partial(call_in, _compare_tasks), sources, batch_size=TASK_COPIES)
    else:
        found = parallel_map(_compare_tasks, sources, n_jobs=n_jobs, batch_size=TASK_COPIES)
    with closing(found) as results:
        yield from results


def _to_source(hit: Hit, mix: str) -> HitSource:
    part = hit.start, hit.stop, mix
    return HitSource(hit.content_hash, hit.path, *part, hit.mate, hit.channels)


def _task_size(n_pairs: int, n_jobs: int) -> int:
    n_tasks = MIN_TASKS_PER_WORKER * count_workers(n_jobs)
    return max(1, min(TASK_PAIRS, -(-n_pairs // n_tasks)))


def _batches(pairs: SourcePairs, size: int) -> list[SourcePairs]:
    return [pairs[start : start + size] for start in range(0, len(pairs), size)]


def _classify_tasks(tasks: Sequence[SourcePairs]) -> list[Classification | None]:
    return [
        result
        for task in tasks
        for batch in _batches(task, BATCH_PAIRS)
        for result in _classify_batch(batch)
    ]


def _classify_batch(pairs: SourcePairs) -> list[Classification | None]:
    prepared = [(_prepare(first), _prepare(second)) for first, second in pairs]
    results = iter(classify_pairs([(a, b) for a, b in prepared if a is not None and b is not None]))
    return [None if a is None or b is None else next(results) for a, b in prepared]


@lru_cache(maxsize=MAX_PREPARED)
def _prepare(source: HitSource) -> ChannelViews | None:
    try:
        return prepare_views(_read(source))
    except CatalogError:
        return None  # missing or damaged since the scan; the next scan reports it


def _read(source: HitSource) -> Audio:
    audio = decode_sides(source.path, source.mate, start=source.start, stop=source.stop)
    audio = pick_channels(audio, source.channels)
    return mix_channels(audio, "" if source.channels else source.mix)


def _compare_tasks(pairs: SourcePairs) -> list[Origin | None]:
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):  # many short products, which threads only slow down
        return [_compare(*pair) for pair in pairs]


def _compare(first: HitSource, second: HitSource) -> Origin | None:
    try:
        return compare_origin(_read(first), _read(second))
    except CatalogError:
        return None
