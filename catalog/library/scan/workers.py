"""What a worker process does with one file: hash, decode, measure; a fault is a result too."""

from __future__ import annotations

import errno
import itertools
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from catalog.audio.decode import decode_file, decode_unless, is_streamed
from catalog.audio.model import Audio, Header
from catalog.errors import AudioError, CatalogError
from catalog.features.measure import measure_take
from catalog.features.measures import Measures, Run
from catalog.features.takes.long_take import LONG_VALUES, is_long
from catalog.library.metadata.filename import find_provenance
from catalog.library.scan.processes.cluster import Cluster
from catalog.library.scan.processes.isolated import IsolatedWorker, WorkerDied
from catalog.library.scan.processes.memory import freed_memory_kept
from catalog.library.scan.processes.parallel import map_with_workers
from catalog.library.scan.walk import hash_file
from catalog.library.store.database import path_to_db
from catalog.library.store.ingest import FoundFile, MeasuredFile
from catalog.library.strokes.layout import find_microphones
from catalog.library.takes.long_files import long_header, measure_long_file
from catalog.library.takes.overrides import FileOverride, add_mix, measure_with_override

FILES_PER_WRITE = 64  # a crash of the machine loses no more measurements than these
DIVIDED_BYTES = 1 << 26  # a larger file is a long take at up to 32 bits; all workers measure it
FILES_PER_CALL = 4  # handed to a worker process at once
FILES_PER_REMOTE_CALL = 16  # on a cluster, where a round trip takes some milliseconds
EXPORT_AGAIN = "export it again or remove it"
TRIES_ALONE = 2  # another file of its batch may have ended the first worker
TRY_AGAIN = "will be tried again at the next scan"
IT = f"it {TRY_AGAIN}"
CRASH_SIGNALS = frozenset({"SIGSEGV", "SIGBUS", "SIGFPE", "SIGILL", "SIGABRT"})
NO_VALID_NAME = "has a name, or a folder, that is not valid text; rename it"
Measure = Callable[[Path], tuple[Audio, Measures]]
Given = tuple[str, tuple[Audio, Measures]]  # content hash and measures of a file


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
    audio = _decode_short(path)
    if isinstance(audio, Header):
        return measure_long_file(path, header=audio)
    return audio, measure_take(audio, find_microphones(path, audio))


def _decode_short(path: Path) -> Audio | Header:
    """Decode a file, or return the header of a long one."""
    if is_streamed(path):
        return long_header(path) or decode_file(path, most_values=LONG_VALUES)
    return decode_unless(path, lambda header: is_long(header.n_frames, header.n_channels))


def measure_all(
    tasks: list[Task], measure: Measure, *, n_jobs: int, cluster: Cluster | None = None
) -> Generator[Outcome, None, None]:
    """Measure files in order; a file whose worker dies is tried once more, alone."""
    in_worker = partial(_measure_in_worker, measure=measure)
    if cluster is not None:  # if one of its workers dies, another measures its files
        yield from cluster.map(in_worker, tasks, batch_size=FILES_PER_REMOTE_CALL)
        return
    if n_jobs == 1:
        yield from _measure_here(tasks, measure)
        return
    for divide, group in itertools.groupby(tasks, partial(_is_divided, measure=measure)):
        if divide:
            yield from (_measure_divided(task, n_jobs=n_jobs) for task in group)
        else:
            files = list(group)
            yield from map_with_workers(in_worker, files, n_jobs=n_jobs, batch_size=FILES_PER_CALL)


def _measure_here(tasks: list[Task], measure: Measure) -> Generator[Outcome, None, None]:
    """Measure files in this process, in one thread as workers do."""
    if not tasks:
        return
    from threadpoolctl import threadpool_limits

    # Many short products, which threads only slow down.
    with threadpool_limits(1), freed_memory_kept():
        yield from (measure_task(task, measure) for task in tasks)


def _is_divided(task: Task, measure: Measure) -> bool:
    """Return whether all workers together measure the file, if it is a long take."""
    is_new = not task.known_hash and task.override is None
    return is_new and measure is measure_file and task.file.size >= DIVIDED_BYTES


def _measure_divided(task: Task, *, n_jobs: int) -> Outcome:
    """Measure one large file in all workers; if that fails, one worker finds the reason."""
    given = None
    try:
        given = _measure_in_parts(task.file, partial(_run_in_workers, n_jobs=n_jobs))
    except (CatalogError, OSError, MemoryError, WorkerDied):  # of the file or of the machine
        pass
    except Exception as err:  # the same edge as that of `measure_task`
        return Outcome(task, reason=_unexpected(err))
    call = partial(_measure_in_worker, measure=measure_file, given=given)
    (outcome,) = map_with_workers(call, [task], n_jobs=1, batch_size=1)
    return outcome


def _measure_in_parts(file: FoundFile, run: Run) -> Given | None:
    """Measure a long file; `run` calls everything that reads it.

    Return None for a short file, and for one that cannot be read in parts.
    """
    path, mate = Path(file.path), file.mate_path
    (header,) = run(long_header, [path])
    (streamed,) = run(is_streamed, [path])  # one worker decodes it from its beginning
    if header is None or streamed:
        return None
    (content_hash,) = run(partial(hash_file, mate=mate), [path])  # before the samples are read
    return content_hash, measure_long_file(path, header=header, mate=mate, run=run)


def _run_in_workers(
    function: Callable[[Any], Any], items: Sequence[Any], *, n_jobs: int
) -> list[Any]:
    call = partial(_call_in_worker, function)
    return list(map_with_workers(call, items, n_jobs=n_jobs, batch_size=1))


def _call_in_worker(
    function: Callable[[Any], Any], worker: IsolatedWorker, items: Sequence[Any]
) -> list[Any]:
    return [worker.call(function, item) for item in items]


def _measure_batch(tasks: Sequence[Task], measure: Measure, given: Given | None) -> list[Outcome]:
    return [measure_task(task, measure, given) for task in tasks]


def _measure_in_worker(
    worker: IsolatedWorker, tasks: Sequence[Task], *, measure: Measure, given: Given | None = None
) -> list[Outcome]:
    """Measure files in a child process; if it dies, each of them alone in fresh ones."""
    try:
        outcomes: list[Outcome] = worker.call(_measure_batch, tasks, measure, given)
    except WorkerDied:
        return [_measure_alone(worker, task, measure) for task in tasks]
    return outcomes


def _measure_alone(worker: IsolatedWorker, task: Task, measure: Measure) -> Outcome:
    death = WorkerDied(None)
    for _ in range(TRIES_ALONE):
        worker.close()  # a fresh process
        try:
            outcome: Outcome = worker.call(measure_task, task, measure)
        except WorkerDied as err:
            death = err
        else:
            return outcome
    return Outcome(task, reason=_death_reason(death), try_again=True)


def _death_reason(death: WorkerDied) -> str:
    """Return why a file was not measured: a process may die without any fault of the file."""
    name = death.signal_name
    if name in CRASH_SIGNALS:
        return f"crashes the decoder ({name}); export it again, or leave it: it {TRY_AGAIN}"
    if name == "SIGKILL":
        return f"was not measured: its process was killed ({name}), often for lack of memory; {IT}"
    ending = name or f"exit code {death.exit_code}"
    return f"was not measured: its process ended ({ending}); {IT}"


def measure_task(task: Task, measure: Measure, given: Given | None = None) -> Outcome:
    """Measure the file of a task with its override; a fault becomes the outcome's reason.

    `given` holds the results if the file has been measured in parts.
    """
    if not isinstance(path_to_db(task.file.path), str):
        return Outcome(task, reason=NO_VALID_NAME)
    try:
        content_hash = given[0] if given else hash_file(task.file.path, task.file.mate)
    except OSError as err:
        reason = f"cannot be read ({err.strerror}); check that it is there and that you may open it"
        return Outcome(task, reason=reason, try_again=True)
    if content_hash == task.known_hash:
        return Outcome(task, content_hash)
    try:
        if given:
            return Outcome(task, content_hash, _to_measured_file(task, content_hash, *given[1]))
        return Outcome(task, content_hash, _measure_content(task, content_hash, measure))
    except AudioError as err:
        if isinstance(err.__cause__, OSError) and err.__cause__.errno == errno.ENOMEM:
            return _without_memory(task)
        mate = task.file.mate_path
        which = f"its right side {mate.name} " if mate is not None and err.path == mate else ""
        reason = f"{which}{err.reason}"
    except CatalogError as err:
        reason = f"{err}; {EXPORT_AGAIN}"
    except MemoryError:
        return _without_memory(task)
    except Exception as err:  # the one edge that reports and goes on: no file may stop a scan
        reason = _unexpected(err)
    return Outcome(task, reason=" ".join(reason.split()))


def _unexpected(err: Exception) -> str:
    return " ".join(f"cannot be measured ({type(err).__name__}: {err}); {EXPORT_AGAIN}".split())


def _without_memory(task: Task) -> Outcome:
    reason = f"was not measured: there was not enough memory; close other programs; {IT}"
    return Outcome(task, reason=reason, try_again=True)


def _measure_content(task: Task, content_hash: str, measure: Measure) -> MeasuredFile:
    path, mate = Path(task.file.path), task.file.mate_path
    override = FileOverride(content_hash)
    if task.override is not None and task.override.content_hash == content_hash:
        override = task.override
    if override.regions is not None or override.mix or mate is not None:
        audio, measures = measure_with_override(path, override, mate=mate)
    else:
        audio, measures = measure(path)
    return _to_measured_file(task, content_hash, audio, measures, mix=override.mix)


def _to_measured_file(
    task: Task, content_hash: str, audio: Audio, measures: Measures, *, mix: str = ""
) -> MeasuredFile:
    file = task.file
    provenance = find_provenance(Path(file.path), root=file.root, mate=file.mate_path)
    return MeasuredFile(
        file=file,
        content_hash=content_hash,
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        container=audio.container,
        subtype=audio.subtype,
        provenance=add_mix(provenance, mix),
        strokes=(measures, *measures.others),
    )
