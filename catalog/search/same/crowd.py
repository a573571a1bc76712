"""Many pairs judged at once by several processes; only places of files and answers travel.

A worker takes a stretch of neighbours, so that it decodes most hits once: it sketches them, tells
most pairs apart by their sketches, and asks the samples about the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import CatalogError
from catalog.library.pool import count_workers, spread
from catalog.library.records import Hit
from catalog.library.sides import decode_sides
from catalog.search.same.judge import OTHER_BELOW, PLAINLY_OTHER, Judgement, judge_pair
from catalog.sound.microphones import mix_channels
from catalog.sound.recording import Recording, prepare_recording, sketches_alike
from catalog.sound.sketch import Sketches

TASK = 2048  # pairs handed to a worker at once: of 3.5 a hit, 0.2 of the hits lie in two tasks
LEAST_TASKS = 4  # for each worker, so that none waits long for another
FEW = 512  # pairs that are judged before processes have been started
PAIRS_AT_ONCE = 256  # whose hits are sketched before samples are asked: they stay ready meanwhile
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


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Some pairs: places, and two rows of them for each pair; shape (n_pairs, 2)."""

    places: tuple[Place, ...]
    pairs: np.ndarray


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
    hits = {hit.id: hit for pair in pairs for hit in pair}
    places = {hit_id: _place_of(hit, mix_of) for hit_id, hit in hits.items()}
    if len(pairs) <= few:
        for first, second in pairs:
            yield _judge_one(places[first.id], places[second.id])
        return
    size = _task_size(len(pairs), n_jobs)
    stretches = [_stretch_of(pairs[at : at + size], places) for at in range(0, len(pairs), size)]
    with closing(spread(_judge_stretches, stretches, n_jobs, size=1)) as judged:
        yield from judged


def _task_size(n_pairs: int, n_jobs: int) -> int:
    return max(1, min(TASK, -(-n_pairs // (LEAST_TASKS * count_workers(n_jobs)))))


def _place_of(hit: Hit, mix_of: Callable[[Hit], str]) -> Place:
    return Place(hit.content_hash, hit.path, hit.start, hit.stop, mix_of(hit), hit.mate)


def _stretch_of(pairs: Sequence[tuple[Hit, Hit]], places: Mapping[int, Place]) -> _Stretch:
    rows: dict[int, int] = {}
    both = [[rows.setdefault(hit.id, len(rows)) for hit in pair] for pair in pairs]
    return _Stretch(tuple(places[hit_id] for hit_id in rows), np.array(both))


def _judge_stretches(stretches: Sequence[_Stretch]) -> list[Judgement | None]:
    return [
        answer
        for stretch in stretches
        for at in range(0, len(stretch.pairs), PAIRS_AT_ONCE)
        for answer in _judge_some(stretch.places, stretch.pairs[at : at + PAIRS_AT_ONCE])
    ]


def _judge_some(places: Sequence[Place], pairs: np.ndarray) -> list[Judgement | None]:
    """Judge pairs by their sketches, and by their samples where those leave it open."""
    found: list[Judgement | None] = [None] * len(pairs)
    rows, both = np.unique(pairs, return_inverse=True)
    sketches = [_sketch(places[row]) for row in rows.tolist()]
    is_held = np.array([one is not None for one in sketches])
    at_held, both = np.cumsum(is_held) - 1, both.reshape(pairs.shape)
    asked = np.flatnonzero(is_held[both].all(axis=1))
    if not len(asked):
        return found
    alike = sketches_alike([one for one in sketches if one is not None], at_held[both[asked]])
    for at, share in zip(asked.tolist(), alike.tolist(), strict=True):
        first, second = pairs[at].tolist()
        is_open = share >= OTHER_BELOW
        found[at] = _judge_one(places[first], places[second], share) if is_open else PLAINLY_OTHER
    return found


def _sketch(place: Place) -> Sketches | None:
    recording = _prepare(place)
    return None if recording is None else recording.sketches


def _judge_one(first: Place, second: Place, alike: float | None = None) -> Judgement | None:
    a, b = _prepare(first), _prepare(second)
    return None if a is None or b is None else judge_pair(a, b, alike=alike)


@lru_cache(maxsize=MAX_PREPARED)
def _prepare(place: Place) -> Recording | None:
    try:
        audio = decode_sides(place.path, place.mate, start=place.start, stop=place.stop)
        return prepare_recording(mix_channels(audio, place.mix))
    except CatalogError:
        return None  # gone or broken since the scan: the next scan will say so
