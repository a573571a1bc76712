"""What a worker process does with one file: hash, decode, measure; a fault is a result too."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, CatalogError
from catalog.features.measure import Measures, measure_take
from catalog.library.files.overrides import FileOverride, add_mix, measure_with_override
from catalog.library.metadata.filename import find_provenance
from catalog.library.scan.isolated import IsolatedWorker, WorkerDied
from catalog.library.scan.parallel import parallel_map, use_cluster
from catalog.library.scan.walk import hash_file
from catalog.library.store.database import path_to_db
from catalog.library.store.ingest import FoundFile, MeasuredFile

FILES_PER_WRITE = 64  # a crash of the machine loses no more measurements than these
FILES_PER_CALL = 4  # handed to a worker process at once
FILES_PER_REMOTE_CALL = 16  # on a cluster, where a round trip takes some milliseconds
EXPORT_AGAIN = "export it again or remove it"
CRASHES = f"crashes the decoder; {EXPORT_AGAIN}"
NO_VALID_NAME = "has a name, or a folder, that is not valid text; rename it"
Measure = Callable[[Path], tuple[Audio, Measures]]


@dataclass(frozen=True)
class Task:
    """One file to measure."""

    file: FoundFile
    known_hash: str = ""  # of content that need not be measured again
    hit_id: int | None = None  # the hit that was at this path
    override: FileOverride | None = None  # used if it is for the content of the file


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a worker returns for one file: measured, the same as before, or at fault."""

    task: Task
    content_hash: str = ""  # "" if the file could not be read
    measured: MeasuredFile | None = None  # without roles
    reason: str = ""  # the fault
    try_again: bool = (
        False  # the content of the file is not the cause; the next scan reads it again
    )


def measure_file(path: Path) -> tuple[Audio, Measures]:
    """Decode and measure one file.

    Raise `AudioError` if it cannot be decoded, and `ParameterError` if it holds no stroke.
    """
    audio = decode_file(path)
    return audio, measure_take(audio)


def measure_all(
    tasks: list[Task], measure: Measure, *, n_jobs: int, cluster: str = ""
) -> Generator[Outcome, None, None]:
    """Measure files in order; if a worker process dies, find the file that killed it."""
    if cluster:  # if one of its workers dies, another measures its files
        call = partial(_measure_isolated, measure=measure)
        with use_cluster(cluster):
            yield from parallel_map(call, tasks, n_jobs=None, batch_size=FILES_PER_REMOTE_CALL)
        return
    at = 0
    while at < len(tasks):
        try:
            with contextlib.closing(_measure_here(tasks[at:], measure, n_jobs)) as outcomes:
                for outcome in outcomes:
                    yield outcome
                    at += 1
        except BrokenProcessPool:
            for task in tasks[at : at + FILES_PER_WRITE]:
                yield _measure_alone(task, measure)
            at += FILES_PER_WRITE


def _measure_here(
    tasks: list[Task], measure: Measure, n_jobs: int
) -> Generator[Outcome, None, None]:
    if n_jobs == 1:
        yield from (measure_task(task, measure) for task in tasks)
        return
    function = partial(_measure_batch, measure=measure)
    yield from parallel_map(function, tasks, n_jobs=n_jobs, batch_size=FILES_PER_CALL)


def _measure_batch(tasks: Sequence[Task], measure: Measure) -> list[Outcome]:
    return [measure_task(task, measure) for task in tasks]


_isolated_worker = IsolatedWorker()  # one child process in each worker of a cluster


def _measure_isolated(tasks: Sequence[Task], measure: Measure) -> list[Outcome]:
    """Measure in a child process: a cluster gives a file that kills a worker to the next one."""
    outcomes = []
    for task in tasks:
        try:
            outcomes.append(_isolated_worker.call(measure_task, task, measure))
        except WorkerDied:
            outcomes.append(Outcome(task, reason=CRASHES))
    return outcomes


def _measure_alone(task: Task, measure: Measure) -> Outcome:
    """Measure one file in a worker process while no other file is being measured."""
    from joblib import Parallel, delayed

    try:
        outcomes: list[Outcome] = Parallel(n_jobs=2)([delayed(measure_task)(task, measure)])
    except BrokenProcessPool:
        return Outcome(task, reason=CRASHES)
    return outcomes[0]


def measure_task(task: Task, measure: Measure) -> Outcome:
    """Measure the file of a task with its override; a fault becomes the outcome's reason."""
    if not isinstance(path_to_db(task.file.path), str):
        return Outcome(task, reason=NO_VALID_NAME)
    try:
        content_hash = hash_file(task.file.path, task.file.mate)
    except OSError as err:
        reason = f"cannot be read ({err.strerror}); check that it is there and that you may open it"
        return Outcome(task, reason=reason, try_again=True)
    if content_hash == task.known_hash:
        return Outcome(task, content_hash)
    try:
        return Outcome(task, content_hash, _measure_content(task, content_hash, measure))
    except AudioError as err:
        mate = task.file.mate_path
        which = f"its right side {mate.name} " if mate is not None and err.path == mate else ""
        reason = f"{which}{err.reason}"
    except CatalogError as err:
        reason = f"{err}; {EXPORT_AGAIN}"
    except Exception as err:  # the one edge that reports and goes on: no file may stop a scan
        reason = f"cannot be measured ({type(err).__name__}: {err}); {EXPORT_AGAIN}"
    return Outcome(task, reason=" ".join(reason.split()))


def _measure_content(task: Task, content_hash: str, measure: Measure) -> MeasuredFile:
    file, path, mate = task.file, Path(task.file.path), task.file.mate_path
    override = FileOverride(content_hash)
    if task.override is not None and task.override.content_hash == content_hash:
        override = task.override
    if override.regions is not None or override.mix or mate is not None:
        audio, measures = measure_with_override(path, override, mate=mate)
    else:
        audio, measures = measure(path)
    return MeasuredFile(
        file=file,
        content_hash=content_hash,
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        container=audio.container,
        subtype=audio.subtype,
        provenance=add_mix(find_provenance(path, root=file.root, mate=mate), override.mix),
        strokes=(measures, *measures.others),
    )
