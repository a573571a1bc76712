"""The files of each take that is in several files, one for each microphone.

Files are known to have run together by their time references; without these, in one folder, by
equal lengths and strokes that coincide, or by names that differ only in the microphone and nearly
equal lengths.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from pathlib import Path

import numpy as np

from catalog.audio.metadata.bext import time_reference
from catalog.errors import CatalogError
from catalog.library.scan.stereo_pairs import count_frames
from catalog.library.store.store import Store
from catalog.library.strokes.represent import is_annotated
from catalog.library.strokes.ties import name_without_microphone
from catalog.library.takes.overrides import FileOverride, FrameRanges, read_overrides
from catalog.models import Event, Hit, State

SAME_LENGTH_S = 0.05  # files of one recorder that began together end together
MIN_SHARE = 0.5  # of the longest file of a take; a shorter one is a part that was cut from it
MIN_STROKE_S = 0.010  # less of a stroke at the edge of a file is no stroke
COINCIDE_S = 0.040  # 13.7 m of air
COINCIDE_SHARE, MIN_COINCIDING = 0.8, 3  # of the strokes of a file, and at least so many of them


@dataclass(frozen=True, eq=False)
class TakeFile:
    """One file of a take.

    Attributes
    ----------
    hits : tuple of Hit, all that are present, by id
    override : FileOverride, what the user set for the file
    offset : int, its first frame on the clock of the take
    """

    hits: tuple[Hit, ...]
    override: FileOverride
    offset: int

    @property
    def path(self) -> Path:
        """The path of the file."""
        return self.hits[0].path

    @property
    def sr(self) -> int:
        """The sample rate in Hz."""
        return self.hits[0].sr

    @cached_property
    def n_frames(self) -> int:
        """The length by the header; raise `AudioError` if the file cannot be read."""
        return count_frames(self.hits[0])

    @cached_property
    def spans(self) -> FrameRanges:
        """First frame, and frame after the last, of each stroke."""
        return tuple(sorted({(hit.start, hit.stop) for hit in self.hits}))

    @property
    def is_take(self) -> bool:
        """Whether the file is divided into strokes."""
        return any(hit.region > 0 for hit in self.hits)

    @property
    def peaks(self) -> list[float]:
        """The peak of each of the `spans`; strokes with annotations have that of full scale."""
        levels = dict.fromkeys(self.spans, 0.0)
        for hit in self.hits:
            peak = 10 ** (hit.descriptors.get("peak_db", -200.0) / 20)
            span = hit.start, hit.stop
            levels[span] = max(levels[span], 1.0 if is_annotated(hit) else peak)
        return list(levels.values())

    def to_take(self, spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        """Return spans of the file on the clock of the take."""
        return [(start + self.offset, stop + self.offset) for start, stop in spans]

    def to_file(self, spans: Sequence[tuple[int, int]]) -> FrameRanges:
        """Return the parts of spans on the clock of the take that lie in the file."""
        own = [(max(0, a - self.offset), min(self.n_frames, b - self.offset)) for a, b in spans]
        return tuple((a, b) for a, b in own if b - a >= MIN_STROKE_S * self.sr)


def find_takes(store: Store) -> Iterator[list[TakeFile]]:
    """Yield the files of each take in several files; one of them holds several strokes at least.

    Performances, which are not cut, are left out, and so are takes with a file that is unreadable.
    """
    if not store.database.read("SELECT 1 FROM hit WHERE region > 0 AND state = 'here' LIMIT 1"):
        return
    files = _read_files(store)
    timed = [file for file in files if file.offset]
    rest = [file for file in files if not file.offset and not file.hits[0].channels]
    takes = [take for group in _group_by(timed, _time_key) for take in _overlapping(group)]
    cut = [file for file in rest if file.is_take]
    alike = [take for group in _group_by(cut, _folder_key) for take in _coinciding(group)]
    known = {file.path for take in alike for file in take}
    rest = [file for file in rest if file.path not in known]
    by_name = [take for group in _group_by(rest, _name_key) for take in _of_one_length(group)]
    for take in (*takes, *alike, *by_name):
        n_loops = sum(file.hits[0].event == Event.LOOP for file in take)
        if len(take) > 1 and any(file.is_take for file in take) and 2 * n_loops <= len(take):
            yield take


def _read_files(store: Store) -> list[TakeFile]:
    """Return all files whose microphone is known."""
    states = (State.HERE, State.HIDDEN)
    by_path: dict[Path, list[Hit]] = {}
    for hit in store.hits.read(states=states, microphones=True, noises=True):
        if hit.microphone:
            by_path.setdefault(hit.path, []).append(hit)
    overrides = read_overrides(store)
    files = []
    for hits in by_path.values():
        content = hits[0].content_hash
        override = overrides.get(content, FileOverride(content))
        files.append(TakeFile(tuple(hits), override, time_reference(hits[0].origin)))
    return files


def _group_by(
    files: Iterable[TakeFile], key: Callable[[TakeFile], Hashable | None]
) -> list[list[TakeFile]]:
    """Return the groups of two files or more with one key, among them one with strokes."""
    groups: dict[Hashable, list[TakeFile]] = {}
    for file in files:
        if (found := key(file)) is not None:
            groups.setdefault(found, []).append(file)
    return [g for g in groups.values() if len(g) > 1 and any(file.is_take for file in g)]


def _time_key(file: TakeFile) -> Hashable:
    first = file.hits[0]
    return first.session, first.take, first.sr


def _folder_key(file: TakeFile) -> Hashable | None:
    first = file.hits[0]
    try:
        return first.session, first.take, first.path.parent, first.sr, file.n_frames
    except (CatalogError, OSError):  # the next scan reports it
        return None


def _name_key(file: TakeFile) -> Hashable | None:
    name = name_without_microphone(file.hits[0])
    return None if name is None else (name, file.sr)


def _overlapping(files: Sequence[TakeFile]) -> list[list[TakeFile]]:
    """Divide files with time references into those that ran at one time."""
    takes: list[list[TakeFile]] = []
    end = 0
    try:
        for file in sorted(files, key=lambda file: file.offset):
            if takes and file.offset < end:
                takes[-1].append(file)
            else:
                takes.append([file])
                end = 0
            end = max(end, file.offset + file.n_frames)
        longest = [max(file.n_frames for file in take) for take in takes]
    except (CatalogError, OSError):
        return []
    return [
        [file for file in take if file.n_frames >= MIN_SHARE * most]
        for take, most in zip(takes, longest, strict=True)
    ]


def _coinciding(files: Sequence[TakeFile]) -> list[list[TakeFile]]:
    """Return the files of one length whose strokes are at the times of the file with most."""
    names = {(f.hits[0].drum.casefold(), f.hits[0].microphone.casefold()) for f in files}
    if len(names) < len(files):  # several takes of one length
        return []
    most = max(files, key=lambda file: len(file.spans))
    starts = np.array([start for start, _ in most.spans])
    width = COINCIDE_S * most.sr
    take = []
    for file in files:
        own = np.array([start for start, _ in file.spans])
        n = int((np.abs(own[:, None] - starts).min(axis=1) < width).sum())
        if n >= max(MIN_COINCIDING, COINCIDE_SHARE * len(own)):
            take.append(file)
    return [take]


def _of_one_length(files: Sequence[TakeFile]) -> list[list[TakeFile]]:
    """Divide files of one name into those of nearly one length."""
    try:
        ordered = sorted(files, key=lambda file: file.n_frames)
    except (CatalogError, OSError):
        return []
    width, n_takes, last = SAME_LENGTH_S * files[0].sr, 0, ordered[0].n_frames
    numbers = []
    for file in ordered:
        n_takes += file.n_frames - last > width
        last = file.n_frames
        numbers.append(n_takes)
    pairs = zip(numbers, ordered, strict=True)
    return [[file for _, file in take] for _, take in groupby(pairs, key=lambda pair: pair[0])]
