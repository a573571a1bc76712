"""Many pairs judged at once by several processes; only places of files and answers travel."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from catalog.errors import CatalogError
from catalog.library.pool import spread
from catalog.library.records import Hit
from catalog.library.sides import decode_sides
from catalog.search.same.judge import Judgement, judge_pair
from catalog.sound.microphones import mix_channels
from catalog.sound.recording import Recording, prepare_recording

TASK = 128  # pairs handed to a worker at once: neighbours, so that most hits are decoded once
FEW = 512  # pairs that are judged before processes have been started
MAX_PREPARED = 256  # hits that a worker keeps ready, about 230 kB each


@dataclass(frozen=True)
class Place:
    """Where the samples of a hit are, and how its channels are mixed."""

    content_hash: str  # a worker that keeps samples ready must not miss that a file was replaced
    path: Path
    start: int
    stop: int
    mix: str = ""
    mate: Path | None = None


def judge_many(
    pairs: Sequence[tuple[Hit, Hit]],
    mix_of: Callable[[Hit], str],
    *,
    n_jobs: int = -1,
    few: int = FEW,
) -> Iterator[Judgement | None]:
    """Judge pairs in order, by all cores where there are many.

    Parameters
    ----------
    pairs : sequence of (Hit, Hit), neighbours one after the other
    mix_of : callable, gives how the channels of a hit are mixed
    n_jobs : int, processes, -1 for all cores
    few : int, pairs that are judged here

    Yields
    ------
    Judgement, or None where the samples of one are gone

    Raises
    ------
    concurrent.futures.process.BrokenProcessPool
        if a worker dies
    """
    places = {
        hit.id: Place(hit.content_hash, hit.path, hit.start, hit.stop, mix_of(hit), hit.mate)
        for hit in {hit.id: hit for pair in pairs for hit in pair}.values()
    }
    tasks = [(places[first.id], places[second.id]) for first, second in pairs]
    if len(tasks) <= few:
        yield from (_judge_one(*task) for task in tasks)
    else:
        yield from spread(_judge_some, tasks, n_jobs, size=TASK)


def _judge_some(tasks: Sequence[tuple[Place, Place]]) -> list[Judgement | None]:
    return [_judge_one(*task) for task in tasks]


def _judge_one(first: Place, second: Place) -> Judgement | None:
    a, b = _prepare(first), _prepare(second)
    return None if a is None or b is None else judge_pair(a, b)


@lru_cache(maxsize=MAX_PREPARED)
def _prepare(place: Place) -> Recording | None:
    try:
        audio = decode_sides(place.path, place.mate, start=place.start, stop=place.stop)
        return prepare_recording(mix_channels(audio, place.mix))
    except CatalogError:
        return None  # gone or broken since the scan: the next scan will say so
