"""Records of what was done: scans, their progress, acts of the user and the history of hits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, overload

from catalog.models import Action


class Skipped(NamedTuple):
    """A file that could not be used, with the reason and what to do, in one line."""

    path: Path
    reason: str


class LeftOut(NamedTuple):
    """Files of an exported kit that a scan did not measure."""

    path: Path  # the folder of the export
    kit: str
    n_files: int
    reason: str  # with what to do to scan them, in one line


class PathNames(Sequence[Path]):
    """A sequence of paths stored as text; a `Path` is made on access, as most are only counted."""

    def __init__(self, names: Sequence[str]) -> None:
        self._names = tuple(names)

    @overload
    def __getitem__(self, at: int) -> Path: ...

    @overload
    def __getitem__(self, at: slice) -> tuple[Path, ...]: ...

    def __getitem__(self, at: int | slice) -> Path | tuple[Path, ...]:
        if isinstance(at, slice):
            return tuple(map(Path, self._names[at]))
        return Path(self._names[at])

    def __len__(self) -> int:
        return len(self._names)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash(tuple(self))


@dataclass(frozen=True)
class ScanReport:
    """The files of one scan, by outcome; all paths are absolute."""

    added: tuple[Path, ...] = ()
    changed: tuple[Path, ...] = ()
    unchanged: Sequence[Path] = ()
    moved: tuple[Path, ...] = ()
    missing: tuple[Path, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    left_out: tuple[LeftOut, ...] = ()  # files of exported kits, one entry for each folder
    not_audio: Mapping[str, int] = field(default_factory=dict)  # numbers of other files by suffix

    def __str__(self) -> str:
        """Return the number of files of each outcome; one file may hold many hits."""
        names = ("added", "changed", "unchanged", "moved", "missing", "skipped")
        counts = [f"{len(getattr(self, name))} {name}" for name in names]
        if n_left_out := sum(part.n_files for part in self.left_out):
            counts.append(f"{n_left_out} left out (exported kits)")
        return f"files: {', '.join(counts)}"


@dataclass(frozen=True)
class Progress:
    """Progress of a long job; `total` is 0 while it is unknown."""

    step: str
    done: int
    total: int


OnProgress = Callable[[Progress], None]


class Act(NamedTuple):
    """What the user did at once: one entry of the history, which can be undone."""

    id: int  # the `HistoryEvent.step` of what it did to files
    time_utc: str
    verb: str  # such as "tag" or "set aside"
    summary: str  # such as "3 hits: +dry"
    undone: int  # 0 if it is in force; else a number that grows with each undo
    n_changes: int  # rows that it changed; 0 if it is too old to be undone


@dataclass(frozen=True)
class HistoryEvent:
    """One change of a hit, as recorded in the history."""

    id: int
    time_utc: str
    action: Action
    hit_id: int
    source: Path
    target: Path
    reason: str
    step: int = 0  # the same for all changes made by one call
