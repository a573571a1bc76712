"""What a worker does with one file: hash, decode, measure; a fault is an answer too."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, CatalogError
from catalog.features.measure import Measures, measure_take
from catalog.library.files.overrides import FileOverride, add_mix, measure_with_override
from catalog.library.metadata.filename import Provenance, find_provenance
from catalog.library.scan.parallel import ChildDied, Guarded, on_cluster, spread
from catalog.library.scan.walk import FoundFile, hash_file
from catalog.library.store.database import path_to_db

BATCH = 64  # files between two writes: a crash of the machine loses no more than these
TASK = 4  # files handed to a worker at once
FAR_TASK = 16  # the same on a cluster, where each way costs some milliseconds
CRASHES = "crashes the decoder; export it again or take it out"
Measure = Callable[[Path], tuple[Audio, Measures]]


@dataclass(frozen=True)
class Task:
    """One file to measure, and what the store knows of it."""

    file: FoundFile
    known_hash: str = ""  # "" where nothing is known, or all of it must be measured anew
    hit_id: int | None = None
    said: FileOverride | None = None  # the user's cut, if the file still holds what it was made for


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a worker sends home for one file: measured, the same as before, or at fault."""

    task: Task
    content_hash: str = ""
    sr: int = 0
    n_channels: int = 0
    container: str = ""
    subtype: str = ""
    measures: Measures | None = None
    provenance: Provenance = field(default_factory=Provenance)
    reason: str = ""
    try_again: bool = False  # the fault lies outside the file's bytes: look anew next time


def measure_file(path: Path) -> tuple[Audio, Measures]:
    """Decode and measure one file.

    Raises
    ------
    AudioError
        if it cannot be decoded
    ParameterError
        if it holds no stroke
    """
    audio = decode_file(path)
    return audio, measure_take(audio)


def measure_each(
    tasks: list[Task], measure: Measure, n_jobs: int, cluster: str = ""
) -> Generator[Outcome, None, None]:
    """Measure all files, in order; where a worker dies, find the file that it died of."""
    if cluster:
        yield from _on_machines(tasks, measure, cluster)
        return
    at = 0
    while at < len(tasks):
        try:
            with contextlib.closing(_in_workers(tasks[at:], measure, n_jobs)) as outcomes:
                for outcome in outcomes:
                    yield outcome
                    at += 1
        except BrokenProcessPool:
            for task in tasks[at : at + BATCH]:
                yield _measure_alone(task, measure)
            at += BATCH


def _in_workers(tasks: list[Task], measure: Measure, n_jobs: int) -> Generator[Outcome, None, None]:
    if n_jobs == 1:
        yield from (measure_one(task, measure) for task in tasks)
        return
    yield from spread(partial(_measure_some, measure=measure), tasks, n_jobs, size=TASK)


def _on_machines(tasks: list[Task], measure: Measure, cluster: str) -> Iterator[Outcome]:
    """Measure on the workers of a cluster; one that dies has its files measured by another."""
    with on_cluster(cluster):
        yield from spread(partial(_measure_guarded, measure=measure), tasks, None, size=FAR_TASK)


def _measure_some(tasks: Sequence[Task], measure: Measure) -> list[Outcome]:
    return [measure_one(task, measure) for task in tasks]


_guarded = Guarded()  # one child for each worker of a cluster, started when it is first needed


def _measure_guarded(tasks: Sequence[Task], measure: Measure) -> list[Outcome]:
    """Measure in a child: a worker that a file kills would be given the same file again."""
    outcomes = []
    for task in tasks:
        try:
            outcomes.append(_guarded.call(measure_one, task, measure))
        except ChildDied:
            outcomes.append(Outcome(task, reason=CRASHES))
    return outcomes


def _measure_alone(task: Task, measure: Measure) -> Outcome:
    """Measure one file in a worker while no other file is in work."""
    from joblib import Parallel, delayed

    try:
        outcomes: list[Outcome] = Parallel(n_jobs=2)([delayed(measure_one)(task, measure)])
    except BrokenProcessPool:
        return Outcome(task, reason=CRASHES)
    return outcomes[0]


def measure_one(task: Task, measure: Measure) -> Outcome:
    """Measure the file of a task as the user cut and mixed it; a fault is told in the outcome."""
    path = Path(task.file.path)
    mate = Path(task.file.mate) if task.file.mate else None
    if not isinstance(path_to_db(path), str):
        return Outcome(task, reason="has a name, or a folder, that is no valid text; rename it")
    try:
        content_hash = hash_file(path, task.file.mate)
    except OSError as err:
        reason = f"cannot be read ({err.strerror}); check that it is there and that you may open it"
        return Outcome(task, reason=reason, try_again=True)
    if content_hash == task.known_hash:
        return Outcome(task, content_hash)
    try:
        said = FileOverride(content_hash)
        if task.said is not None and task.said.content_hash == content_hash:
            said = task.said
        if said.regions is not None or said.mix or mate is not None:
            audio, measures = measure_with_override(path, said, mate=mate)
        else:
            audio, measures = measure(path)
        provenance = add_mix(find_provenance(path, root=task.file.root, mate=mate), said.mix)
    except AudioError as err:
        of_mate = f"its right side {mate.name} " if mate is not None and err.path == mate else ""
        return Outcome(task, reason=_one_line(of_mate + err.reason))
    except CatalogError as err:
        return Outcome(task, reason=_one_line(f"{err}; export it again or take it out"))
    except Exception as err:  # the one edge that reports and goes on: no file may stop a scan
        what = f"cannot be measured ({type(err).__name__}: {err}); export it again or take it out"
        return Outcome(task, reason=_one_line(what))
    return Outcome(
        task, content_hash, audio.sr, audio.samples.shape[1], audio.container, audio.subtype,
        measures, provenance,
    )  # fmt: skip


def _one_line(text: str) -> str:
    return " ".join(text.split())
