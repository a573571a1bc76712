"""Many pairs judged at once by several processes; only places of files and answers travel.

Each hit is sketched once, and nine in ten pairs are told apart by their sketches. The samples are
asked about the others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.errors import CatalogError
from catalog.library.pool import spread
from catalog.library.records import Hit
from catalog.library.sides import decode_sides
from catalog.search.same.judge import OTHER_BELOW, PLAINLY_OTHER, Judgement, judge_pair
from catalog.sound.microphones import mix_channels
from catalog.sound.recording import Recording, prepare_recording, sketches_alike
from catalog.sound.sketch import Sketches

TASK = 64  # pairs handed to a worker at once: neighbours, so that most hits are decoded once
FEW = 512  # pairs that are judged before processes have been started
PAIRS_AT_ONCE = 32_768  # that are sketched before their samples are asked
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
    if len(pairs) <= few:
        for first, second in pairs:
            yield _judge_one(_place_of(first, mix_of), _place_of(second, mix_of))
        return
    drawer = _Drawer(pairs, mix_of, n_jobs)
    for at in range(0, len(pairs), PAIRS_AT_ONCE):
        yield from _judge_block(pairs[at : at + PAIRS_AT_ONCE], drawer)


def _place_of(hit: Hit, mix_of: Callable[[Hit], str]) -> Place:
    return Place(hit.content_hash, hit.path, hit.start, hit.stop, mix_of(hit), hit.mate)


class _Drawer:
    """Sketches of hits, made when they are first asked for and let go after the last time."""

    def __init__(
        self, pairs: Sequence[tuple[Hit, Hit]], mix_of: Callable[[Hit], str], n_jobs: int
    ) -> None:
        self.n_jobs = n_jobs
        self._mix_of = mix_of
        self._times_left = Counter(hit.id for pair in pairs for hit in pair)
        self._sketches: dict[int, Sketches | None] = {}

    def place(self, hit: Hit) -> Place:
        return _place_of(hit, self._mix_of)

    def alike(self, pairs: Sequence[tuple[Hit, Hit]]) -> list[float | None]:
        """How alike the sketches of each pair are; None where samples are gone."""
        asked = {hit.id: hit for pair in pairs for hit in pair}
        self._draw([hit for hit in asked.values() if hit.id not in self._sketches])
        held = {i: sketches for i in asked if (sketches := self._sketches[i]) is not None}
        rows = {hit_id: row for row, hit_id in enumerate(held)}
        at = [n for n, pair in enumerate(pairs) if all(hit.id in rows for hit in pair)]
        found: list[float | None] = [None] * len(pairs)
        if at:
            both = np.array([[rows[hit.id] for hit in pairs[n]] for n in at])
            for n, alike in zip(at, sketches_alike(list(held.values()), both), strict=True):
                found[n] = float(alike)
        self._let_go(pairs, asked)
        return found

    def _draw(self, hits: Sequence[Hit]) -> None:
        places = [self.place(hit) for hit in hits]
        drawn = spread(_sketch_some, places, self.n_jobs, size=TASK)
        self._sketches.update(zip((hit.id for hit in hits), drawn, strict=True))

    def _let_go(self, pairs: Sequence[tuple[Hit, Hit]], asked: Iterable[int]) -> None:
        self._times_left.subtract(hit.id for pair in pairs for hit in pair)
        for hit_id in asked:
            if not self._times_left[hit_id]:
                del self._sketches[hit_id]


def _judge_block(pairs: Sequence[tuple[Hit, Hit]], drawer: _Drawer) -> Iterator[Judgement | None]:
    """Judge some pairs: by their sketches, and by their samples where those leave it open."""
    found = drawer.alike(pairs)
    tasks = [
        (drawer.place(first), drawer.place(second), alike)
        for (first, second), alike in zip(pairs, found, strict=True)
        if alike is not None and alike >= OTHER_BELOW
    ]
    with closing(spread(_judge_some, tasks, drawer.n_jobs, size=TASK)) as judged:
        for alike in found:
            if alike is None:
                yield None
            else:
                yield PLAINLY_OTHER if alike < OTHER_BELOW else next(judged)


def _sketch_some(places: Sequence[Place]) -> list[Sketches | None]:
    return [_sketch_one(place) for place in places]


def _sketch_one(place: Place) -> Sketches | None:
    recording = _decode(place)
    return None if recording is None else recording.sketches


def _judge_some(tasks: Sequence[tuple[Place, Place, float]]) -> list[Judgement | None]:
    return [_judge_one(*task) for task in tasks]


def _judge_one(first: Place, second: Place, alike: float | None = None) -> Judgement | None:
    a, b = _prepare(first), _prepare(second)
    return None if a is None or b is None else judge_pair(a, b, alike=alike)


@lru_cache(maxsize=MAX_PREPARED)
def _prepare(place: Place) -> Recording | None:
    return _decode(place)


def _decode(place: Place) -> Recording | None:
    try:
        audio = decode_sides(place.path, place.mate, start=place.start, stop=place.stop)
        return prepare_recording(mix_channels(audio, place.mix))
    except CatalogError:
        return None  # gone or broken since the scan: the next scan will say so
