"""Folders in, hits in the store out: what is unchanged is skipped, one bad file stops nothing."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from catalog.errors import ParameterError, Stopped
from catalog.features.measure import MEASURE_VERSION, Measures
from catalog.library.files.journal import recover_moves
from catalog.library.files.overrides import read_overrides
from catalog.library.metadata.filename import find_provenance
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.metadata.roles import combine_role, role_from_name
from catalog.library.metadata.sessions import part_days
from catalog.library.scan.stereo_pairs import pair_sides, sides_said
from catalog.library.scan.walk import (
    Found,
    FoundFile,
    check_roots,
    hash_file,
    is_under,
    walk_folders,
)
from catalog.library.scan.workers import (
    BATCH,
    Measure,
    Outcome,
    Task,
    measure_each,
    measure_file,
    measure_one,
)
from catalog.library.store.cache import gc_paused
from catalog.library.store.files import FileRow
from catalog.library.store.ingest import MeasuredFile, MovedFile
from catalog.library.store.store import Store
from catalog.models import ROLES, OnProgress, PathNames, Progress, ScanReport, Skipped, State

ALWAYS = -1  # in place of a time: no file has it, so the next scan looks anew
RoleJudge = Callable[[np.ndarray], np.ndarray]  # embeddings (n, p) -> probabilities (n, 20)


@dataclass
class _Sorted:
    """The files of one walk, sorted by what has to be done with them."""

    unchanged: list[str] = field(default_factory=list)
    returned: list[tuple[int, str]] = field(default_factory=list)  # hits back in their places
    tasks: list[Task] = field(default_factory=list)
    changed: list[tuple[FoundFile, FileRow]] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)


def scan_folders(
    store: Store,
    folders: Iterable[str | Path],
    *,
    n_jobs: int = -1,
    cluster: str = "",
    on_progress: OnProgress | None = None,
    judge: RoleJudge | None = None,
    measure: Measure = measure_file,
) -> ScanReport:
    """Bring the store up to date with everything below some folders.

    Parameters
    ----------
    store : Store
    folders : iterable of paths
    n_jobs : int
        worker processes; -1 is one for each core, 1 measures in this process
    cluster : str
        address of a dask.distributed scheduler whose workers measure, see `on_cluster`; "" for the
        cores of this machine. Only numbers travel back; this process alone writes
    on_progress : callable, optional
        told `Progress` records: first of step "looking", then of step "measuring"; it may raise
        `Stopped`, and the next scan goes on where this one was stopped
    judge : callable, optional
        embeddings, shape (n, EMBEDDING_DIM), to role probabilities, shape (n, 20);
        None is the model that comes with the program
    measure : callable, optional
        what a worker does with one file

    Returns
    -------
    ScanReport
        the same for any `n_jobs` and `cluster`

    Raises
    ------
    ParameterError
        if a folder does not exist, `n_jobs` is 0 or below -1, or no cluster answers
    StoreError
        if the store cannot be written
    Stopped
        if `on_progress` raised it
    """
    if n_jobs == 0 or n_jobs < -1:
        raise ParameterError(f"n_jobs={n_jobs} must be -1 (all cores) or above 0")
    roots = check_roots(folders)
    recover_moves(store)
    tell = on_progress or (lambda _: None)
    with gc_paused():
        found = walk_folders(
            roots,
            leave_out=str(store.aside_folder),
            on_found=lambda n: tell(Progress("looking", n, 0)),
        )
    tell(Progress("looking", len(found.files), len(found.files)))
    return _Scan(store, roots, tell, judge or role_probabilities, measure, n_jobs, cluster).run(
        found
    )


@dataclass
class _Scan:
    """One scan at work."""

    store: Store
    roots: list[str]
    tell: OnProgress
    judge: RoleJudge
    measure: Measure
    n_jobs: int
    cluster: str
    done: dict[str, list[str]] = field(
        default_factory=lambda: {"added": [], "changed": [], "unchanged": []}
    )
    bad: list[Skipped] = field(default_factory=list)

    def run(self, found: Found) -> ScanReport:
        with gc_paused():
            known = self.store.files.read_known()
            found.files = pair_sides(found.files, known, sides_said(self.store))
            self.said = read_overrides(self.store)
            plan = _sort_files(found.files, known)
        plan.tasks += self._tasks_of(plan.changed)
        moved = self._recognise_moved(plan)
        missing = self._mark_missing(found, known, set(moved.values()))
        self.store.files.mark_here(plan.returned)
        self._measure_all([task for task in plan.tasks if task.file.path not in moved])
        self._remember_faults(found, known)
        part_days(self.store)
        faults = [Skipped(Path(path), reason) for path, reason in found.faults]
        return ScanReport(
            added=_paths(self.done["added"]),
            changed=_paths(self.done["changed"]),
            unchanged=PathNames(sorted(plan.unchanged + self.done["unchanged"])),
            moved=_paths(moved),
            missing=_paths(missing),
            skipped=tuple(sorted(plan.skipped + self.bad + faults)),
        )

    def _tasks_of(self, changed: Sequence[tuple[FoundFile, FileRow]]) -> list[Task]:
        """Tasks for files that are not as they were, with what they held then."""
        ids = [row.hit_id for _, row in changed if row.hit_id is not None]
        hashes = self.store.hits.content_hashes(ids)
        tasks = []
        for file, row in changed:
            held = hashes.get(row.hit_id, "") if row.hit_id is not None else ""
            known_hash = held if row.version == MEASURE_VERSION else ""
            tasks.append(Task(file, known_hash, row.hit_id, self.said.get(held)))
        return tasks

    def _recognise_moved(self, plan: _Sorted) -> dict[str, str]:
        """Give hits whose files are gone the new files of equal content: new path to old path."""
        new = [task.file for task in plan.tasks if task.hit_id is None and not task.known_hash]
        lost = self.store.files.find_lost() if new else []
        sizes = {size for _, _, size, _ in lost}
        moved: dict[str, str] = {}
        with self.store.writing(changes_hits=False):
            for file in new:
                content = _hash_or_none(file) if file.size in sizes else None
                same = [row for row in lost if row[2:] == (file.size, content)]
                if not same:
                    continue
                same.sort(key=lambda row: os.path.basename(row[1]) != os.path.basename(file.path))
                if self.store.files.mark_moved(same[0][0], self._to_moved(file, same[0][0])):
                    lost.remove(same[0])
                    moved[file.path] = same[0][1]
        return moved

    def _to_moved(self, file: FoundFile, hit_id: int) -> MovedFile:
        path = Path(file.path)
        from_name = role_from_name(path, root=file.root)
        role = combine_role(from_name, self.store.hits.role_probabilities([hit_id])[0])
        mate = Path(file.mate) if file.mate else None
        provenance = find_provenance(path, root=file.root, mate=mate)
        return MovedFile(path, file.size, file.mtime_ns, provenance, *role, mate)

    def _mark_missing(
        self, found: Found, known: dict[str, FileRow], moved_away: set[str]
    ) -> list[str]:
        """Mark and give what was below the roots and is gone, not what could not be looked at."""
        gone = {
            path: known[path]
            for path in sorted(known.keys() - {file.path for file in found.files} - moved_away)
            if known[path].hit_id is not None and self._was_looked_at(path, found)
        }
        self.store.files.mark_missing(
            (row.hit_id, path)
            for path, row in gone.items()
            if row.hit_id and row.state == State.HERE
        )
        return list(gone)

    def _remember_faults(self, found: Found, known: dict[str, FileRow]) -> None:
        """Keep the faults of the walk, and forget skipped files that are gone."""
        gone = known.keys() - {file.path for file in found.files} - {p for p, _ in found.faults}
        self.store.files.delete_skipped(
            path for path in gone if known[path].hit_id is None and self._was_looked_at(path, found)
        )
        self.store.files.write_skipped((path, 0, ALWAYS, reason) for path, reason in found.faults)

    def _was_looked_at(self, path: str, found: Found) -> bool:
        return any(is_under(path, root) for root in self.roots) and not any(
            is_under(path, folder) for folder in found.unlisted
        )

    def _measure_all(self, tasks: list[Task]) -> None:
        """Measure in workers and write batch by batch."""
        self.tell(Progress("measuring", 0, len(tasks)))
        batch: list[Outcome] = []
        with contextlib.closing(
            measure_each(tasks, self.measure, self.n_jobs, self.cluster)
        ) as outcomes:
            try:
                for n_done, outcome in enumerate(outcomes, start=1):
                    batch.append(outcome)
                    if len(batch) == BATCH or n_done == len(tasks):
                        self._write(batch)
                        batch = []
                    self.tell(Progress("measuring", n_done, len(tasks)))
            except (Stopped, KeyboardInterrupt):
                self._write(batch)  # the next scan goes on from here
                raise

    def _as_said(self, outcome: Outcome) -> Outcome:
        """Measure once more where a cut or mix by hand is of what the file holds by now."""
        said, asked = self.said.get(outcome.content_hash), outcome.task.said
        is_done = asked is not None and asked.content_hash == outcome.content_hash
        if outcome.measures is None or said is None or is_done:
            return outcome
        return measure_one(replace(outcome.task, said=said, known_hash=""), self.measure)

    def _write(self, batch: list[Outcome]) -> None:
        batch = [self._as_said(outcome) for outcome in batch]
        measured = [outcome for outcome in batch if outcome.measures is not None]
        files = self._to_measured(measured)
        for outcome, what in zip(measured, self.store.files.write_measured(files), strict=True):
            self.done[what].append(outcome.task.file.path)
        for outcome in batch:
            if outcome.measures is None and not outcome.reason and outcome.task.hit_id is not None:
                path, _, size, mtime_ns, _ = outcome.task.file
                self.store.files.mark_same(
                    outcome.task.hit_id, path=path, size=size, mtime_ns=mtime_ns
                )
                self.done["unchanged"].append(path)
        bad = [(o.task.file, o.reason, o.try_again) for o in batch if o.reason]
        self.store.files.write_skipped(
            (file.path, file.size, ALWAYS if again else file.mtime_ns, reason)
            for file, reason, again in bad
        )
        self.bad += [Skipped(Path(file.path), reason) for file, reason, _ in bad]

    def _to_measured(self, outcomes: list[Outcome]) -> list[MeasuredFile]:
        strokes = [(o, m) for o in outcomes for m in _strokes(o.measures)]
        chances = self._judge_all([measures.embedding for _, measures in strokes])
        files: dict[str, list[MeasuredFile]] = {}
        for (o, measures), chance in zip(strokes, chances, strict=True):
            file, path = o.task.file, Path(o.task.file.path)
            role, confidence, source = combine_role(role_from_name(path, root=file.root), chance)
            files.setdefault(file.path, []).append(MeasuredFile(
                path, file.size, file.mtime_ns, o.content_hash, o.sr, o.n_channels, o.container,
                o.subtype, measures, o.provenance, role, confidence, source, chance,
                mate=Path(file.mate) if file.mate else None,
            ))  # fmt: skip
        return [replace(first, others=tuple(others)) for first, *others in files.values()]

    def _judge_all(self, embeddings: list[np.ndarray]) -> np.ndarray:
        if not embeddings:
            return np.empty((0, len(ROLES)), dtype=np.float32)
        return np.asarray(self.judge(np.stack(embeddings)), dtype=np.float32)


def _sort_files(files: Sequence[FoundFile], known: dict[str, FileRow]) -> _Sorted:
    plan = _Sorted()
    unchanged, here = plan.unchanged, State.HERE
    for file in files:
        path, _, size, mtime_ns, _ = file
        row = known.get(path)
        if row is None:
            plan.tasks.append(Task(file))
        elif row.mtime_ns != mtime_ns or row.size != size or row.version != MEASURE_VERSION:
            plan.changed.append((file, row))
        elif row.state == here:
            unchanged.append(path)
        elif row.hit_id is None:
            plan.skipped.append(Skipped(Path(path), row.reason))
        else:
            unchanged.append(path)
            plan.returned.append((row.hit_id, path))
    return plan


def _strokes(measures: Measures | None) -> tuple[Measures, ...]:
    return () if measures is None else (measures, *measures.others)


def _paths(names: Iterable[str]) -> tuple[Path, ...]:
    return tuple(Path(name) for name in sorted(names))


def _hash_or_none(file: FoundFile) -> str | None:
    try:
        return hash_file(file.path, file.mate)
    except OSError:  # whoever measures it reports the fault
        return None
