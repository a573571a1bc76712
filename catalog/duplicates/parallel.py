"""Many pairs judged at once by several processes; only places of files and answers travel.

A worker takes a stretch of neighbours, so that it decodes most hits once, and judges some hundred
pairs at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from catalog.audio.channels import mix_channels
from catalog.errors import CatalogError
from catalog.library.scan.parallel import count_workers, parallel_map
from catalog.library.scan.stereo_pairs import decode_sides
from catalog.matching.verdict import Classification, classify_pairs
from catalog.matching.views import ChannelViews, prepare_views
from catalog.models import Hit

TASK = 2048  # pairs handed to a worker at once: of 3.5 a hit, 0.2 of the hits lie in two tasks
LEAST_TASKS = 4  # for each worker, so that none waits long for another
FEW = 512  # pairs that are judged before processes have been started
PAIRS_AT_ONCE = 256  # their hits stay ready meanwhile
MAX_PREPARED = 512  # hits that a worker keeps ready, about 150 kB each and thrice that in stereo


@dataclass(frozen=True)
class Place:
    """Where the samples of a hit are, and how its channels are mixed."""

    content_hash: str  # a worker that keeps samples ready must not miss that a file was replaced
    path: Path
    start: int
    stop: int
    mix: str = ""
    mate: Path | None = None


Stretch = Sequence[tuple[Place, Place]]


def classify_many(
    pairs: Sequence[tuple[Hit, Hit]],
    mix_of: Callable[[Hit], str],
    *,
    n_jobs: int = -1,
    few: int = FEW,
) -> Iterator[Classification | None]:
    """Judge pairs in order, by all cores where there are many.

    Parameters
    ----------
    pairs : sequence of (Hit, Hit), neighbours one after the other
    mix_of : callable, gives how the channels of a hit are mixed
    n_jobs : int, processes, -1 for all cores
    few : int, pairs that are judged here

    Yields
    ------
    Classification, or None where the samples of one are gone

    Raises
    ------
    concurrent.futures.process.BrokenProcessPool
        if a worker dies
    """
    hits = {hit.id: hit for pair in pairs for hit in pair}
    places = {hit_id: _place_of(hit, mix_of) for hit_id, hit in hits.items()}
    placed = [(places[first.id], places[second.id]) for first, second in pairs]
    if len(pairs) <= few:
        for at in range(0, len(placed), PAIRS_AT_ONCE):
            yield from _judge_some(placed[at : at + PAIRS_AT_ONCE])
        return
    size = _task_size(len(pairs), n_jobs)
    stretches = [placed[at : at + size] for at in range(0, len(pairs), size)]
    with closing(parallel_map(_judge_stretches, stretches, n_jobs=n_jobs, batch_size=1)) as judged:
        yield from judged


def _task_size(n_pairs: int, n_jobs: int) -> int:
    return max(1, min(TASK, -(-n_pairs // (LEAST_TASKS * count_workers(n_jobs)))))


def _place_of(hit: Hit, mix_of: Callable[[Hit], str]) -> Place:
    return Place(hit.content_hash, hit.path, hit.start, hit.stop, mix_of(hit), hit.mate)


def _judge_stretches(stretches: Sequence[Stretch]) -> list[Classification | None]:
    return [
        answer
        for stretch in stretches
        for at in range(0, len(stretch), PAIRS_AT_ONCE)
        for answer in _judge_some(stretch[at : at + PAIRS_AT_ONCE])
    ]


def _judge_some(pairs: Stretch) -> list[Classification | None]:
    prepared = [(_prepare(first), _prepare(second)) for first, second in pairs]
    ready = [(a, b) for a, b in prepared if a is not None and b is not None]
    judged = iter(classify_pairs(ready))
    return [None if a is None or b is None else next(judged) for a, b in prepared]


@lru_cache(maxsize=MAX_PREPARED)
def _prepare(place: Place) -> ChannelViews | None:
    try:
        audio = decode_sides(place.path, place.mate, start=place.start, stop=place.stop)
        return prepare_views(mix_channels(audio, place.mix))
    except CatalogError:
        return None  # gone or broken since the scan: the next scan will say so
