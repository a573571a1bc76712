"""Scan folders into the store: unchanged files are skipped, bad files are listed and skipped."""

from __future__ import annotations

import contextlib
import os
from collections import defaultdict
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from catalog.errors import ClusterError, ParameterError, Stopped
from catalog.features import MEASURE_VERSION
from catalog.interrupts import check_interrupt, uninterrupted
from catalog.library.files.journal import recover_moves
from catalog.library.metadata.filename import find_provenance
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.metadata.roles import combine_role, role_from_name
from catalog.library.metadata.sessions import split_days
from catalog.library.scan.exports import record_exported_hits, select_left_out
from catalog.library.scan.processes.cluster import open_cluster
from catalog.library.scan.stereo_pairs import pair_sides, read_side_choices
from catalog.library.scan.walk import Found, check_roots, hash_file, is_under, walk_folders
from catalog.library.scan.workers import (
    FILES_PER_WRITE,
    Measure,
    Outcome,
    Task,
    measure_all,
    measure_file,
    measure_task,
)
from catalog.library.store.ingest import FoundFile, MeasuredFile, MovedFile
from catalog.library.store.records.files import NO_TIME_NS, FileRow, KnownFiles
from catalog.library.store.records.hits import gc_paused
from catalog.library.store.store import Store
from catalog.library.takes.overrides import FileOverride, read_overrides
from catalog.library.takes.shared_cut import find_companions, find_new_cuts
from catalog.models import State
from catalog.reports import LeftOut, OnProgress, PathNames, Progress, ScanReport, Skipped

RoleClassifier = Callable[[np.ndarray], np.ndarray]  # embeddings (n, p) -> probabilities (n, 20)


def scan_folders(
    store: Store,
    folders: Iterable[str | Path],
    *,
    n_jobs: int = -1,
    cluster: str = "",
    exports: bool = False,
    again: bool = False,
    on_progress: OnProgress | None = None,
    classify: RoleClassifier = role_probabilities,
    measure: Measure = measure_file,
) -> ScanReport:
    """Bring the store up to date with everything below some folders.

    Parameters
    ----------
    n_jobs : int, worker processes; -1 is one for each core, 1 measures in this process
    cluster : str
        address of a dask.distributed scheduler whose workers measure, see `open_cluster`; "" for
        the cores of this machine. Workers return only numbers; only this process writes
    exports : bool
        also measure the files of exported kits; otherwise new ones are only counted
    again : bool
        also read files whose size and time have not changed; those whose content has changed, and
        those that could not be used, are measured again
    classify : callable, embeddings, shape (n, EMBEDDING_DIM), to role probabilities, shape (n, 20)
    measure : callable, what a worker does with one file
    on_progress : callable, optional
        called with `Progress` records: first of step "looking", then of step "measuring"; it may
        raise `Stopped`, and the next scan continues where this one was stopped

    Returns
    -------
    ScanReport, the same for any `n_jobs` and `cluster`

    Raises
    ------
    ParameterError
        if a folder does not exist, `n_jobs` is 0 or below -1, or no scheduler responds
    ClusterError
        if a worker has other code or does not find the folders, or the cluster is lost
    StoreError
        if the store cannot be written
    Stopped
        if `on_progress` raised it
    """
    if n_jobs == 0 or n_jobs < -1:
        raise ParameterError(f"n_jobs={n_jobs} must be -1 (all cores) or above 0")
    roots = check_roots(folders)
    recover_moves(store)
    report = on_progress or (lambda _: None)
    connect = open_cluster(cluster, sees=roots) if cluster else contextlib.nullcontext()
    with connect as workers, contextlib.ExitStack() as paused:
        paused.enter_context(gc_paused())  # until files are measured, which takes long
        set_aside = store.files.read_set_aside()  # before the walk: they may be restored meanwhile
        found = _walk(store, roots, report)
        outcomes_of = partial(measure_all, measure=measure, n_jobs=n_jobs, cluster=workers)
        scan = _Scan(
            store, roots, outcomes_of, measure, classify, report, exports, again, set_aside, paused
        )
        return scan.run(found)


def _walk(store: Store, roots: Sequence[str], report: OnProgress) -> Found:
    """Find the files below the roots, with progress of step "looking"."""
    found = walk_folders(
        roots,
        leave_out=str(store.aside_folder),
        on_found=lambda n: report(Progress("looking", n, 0)),
    )
    report(Progress("looking", len(found.files), len(found.files)))
    return found


@dataclass
class _Plan:
    """The files of one walk by what has to be done with them."""

    unchanged: list[str] = field(default_factory=list)
    returned: list[tuple[int, str]] = field(default_factory=list)  # hits back in their places
    tasks: list[Task] = field(default_factory=list)
    changed: list[tuple[FoundFile, FileRow]] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)


def _plan_files(files: Sequence[FoundFile], known: KnownFiles, *, again: bool) -> _Plan:
    plan, rows = _Plan(), known.rows
    unchanged, version, here = plan.unchanged, MEASURE_VERSION, State.HERE
    for file in files:
        path, _, size, mtime_ns, _ = file
        found = rows.get(path)
        if found is None:
            plan.tasks.append(Task(file))
            continue
        is_same = found[0] == size and found[1] == mtime_ns and found[2] == version and not again
        if is_same and found[4] == here:
            unchanged.append(path)  # as most files, whose rows are not made
            continue
        row = FileRow._make(found)
        if not is_same:
            plan.changed.append((file, row))
        elif row.hit_id is None:
            plan.skipped.append(Skipped(Path(path), row.reason))
        else:
            unchanged.append(path)
            plan.returned.append((row.hit_id, path))
    return plan


def _paths(found: Found) -> set[str]:
    return {file.path for file in found.files}


@dataclass
class _Scan:
    """One scan in progress."""

    store: Store
    roots: list[str]
    outcomes_of: Callable[[list[Task]], Generator[Outcome, None, None]]
    measure: Measure
    classify: RoleClassifier
    report: OnProgress
    with_exports: bool
    again: bool
    set_aside: frozenset[str]  # paths of files that were set aside when the scan began
    paused: contextlib.ExitStack  # garbage collection, until it is closed
    overrides: dict[str, FileOverride] = field(default_factory=dict)
    written: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    skipped: list[Skipped] = field(default_factory=list)

    def run(self, found: Found) -> ScanReport:
        known = self.store.files.read_known()
        found.files = pair_sides(found.files, known, read_side_choices(self.store))
        self.overrides = read_overrides(self.store)
        plan = _plan_files(found.files, known, again=self.again)
        plan.tasks += self._make_tasks(plan.changed)
        if plan.tasks:
            self.paused.close()
        return self._carry_out(plan, found, known)

    def _carry_out(self, plan: _Plan, found: Found, known: KnownFiles) -> ScanReport:
        n_listed = len(plan.unchanged) + len(plan.changed) + len(plan.skipped)
        gone = known.keys() - _paths(found) if n_listed < len(known) else set()
        moved = self._find_moved(plan, found)
        missing = self._mark_missing(found, known, gone - set(moved.values()) - self.set_aside)
        self.store.files.change_state(plan.returned, State.HERE, before=State.MISSING)
        tasks = [task for task in plan.tasks if task.file.path not in moved]
        left_out = self._select_left_out(found, tasks)
        companions = self._find_companions(plan.changed)
        self._measure_all([task for task in tasks if task.file.path not in left_out])
        self._measure_again(found, companions())
        self._measure_again(found, find_new_cuts(self.store))
        if self.written or moved:
            record_exported_hits(self.store)
        self._write_faults(found, known, gone)
        split_days(self.store)
        faults = [Skipped(Path(path), reason) for path, reason in found.faults]
        return ScanReport(
            added=_sorted_paths(self.written["added"]),
            changed=_sorted_paths(self.written["changed"]),
            unchanged=PathNames(sorted(plan.unchanged + self.written["unchanged"])),
            moved=_sorted_paths(moved),
            missing=_sorted_paths(missing),
            skipped=tuple(sorted(plan.skipped + self.skipped + faults)),
            left_out=tuple(sorted(set(left_out.values()))),
            not_audio=dict(sorted(found.not_audio.items())),
        )

    def _select_left_out(self, found: Found, tasks: Sequence[Task]) -> dict[str, LeftOut]:
        """Return the files of exported kits among those of new hits, with their reports."""
        new = [task.file for task in tasks if task.hit_id is None]
        if self.with_exports or not new:
            return {}
        return select_left_out(self.store, found.manifests, new)

    def _make_tasks(self, changed: Sequence[tuple[FoundFile, FileRow]]) -> list[Task]:
        """Return tasks for files that were touched, with their content when measured last."""
        ids = [row.hit_id for _, row in changed if row.hit_id is not None]
        hashes = self.store.hits.content_hashes(ids)
        tasks = []
        for file, row in changed:
            content_hash = hashes.get(row.hit_id, "") if row.hit_id is not None else ""
            known_hash = content_hash if row.version == MEASURE_VERSION else ""
            tasks.append(Task(file, known_hash, row.hit_id, self.overrides.get(content_hash)))
        return tasks

    def _find_moved(self, plan: _Plan, found: Found) -> dict[str, str]:
        """Match new files to lost ones by content and move their hits: new path to old path."""
        new = [task.file for task in plan.tasks if task.hit_id is None and not task.known_hash]
        listed = _paths(found) if new else set()

        def is_gone(path: str) -> bool:
            return path not in listed and self._was_listed(path, found)

        lost = self.store.files.find_lost(is_gone) if new else []
        sizes = {file.size for file in lost}
        moved: dict[str, str] = {}
        with self.store.writing(changes_hits=False):
            for file in new:
                check_interrupt()
                content_hash = _hash_or_none(file) if file.size in sizes else None
                same = [x for x in lost if (x.size, x.content_hash) == (file.size, content_hash)]
                if not same:
                    continue
                name = os.path.basename(file.path)
                match = min(same, key=lambda x: os.path.basename(x.path) != name)
                moved_file = self._to_moved(file, match.hit_id)
                if self.store.files.mark_moved(match.hit_id, moved_file):
                    lost.remove(match)
                    moved[file.path] = match.path
        return moved

    def _to_moved(self, file: FoundFile, hit_id: int) -> MovedFile:
        by_name = role_from_name(file.path, root=file.root)
        role = combine_role(by_name, self.store.hits.role_probabilities([hit_id])[0])
        provenance = find_provenance(file.path, root=file.root, mate=file.mate_path)
        return MovedFile(file, provenance, role)

    def _mark_missing(
        self, found: Found, known: Mapping[str, FileRow], gone: set[str]
    ) -> list[str]:
        """Mark and return missing files below the roots, but not below unlisted folders.

        `gone` are known paths that the walk did not find, but for files that were set aside when it
        began, and restored since.
        """
        missing = {
            path: known[path]
            for path in sorted(gone)
            if known[path].hit_id is not None and self._was_listed(path, found)
        }
        here = [(r.hit_id, p) for p, r in missing.items() if r.hit_id and r.state == State.HERE]
        self.store.files.change_state(here, State.MISSING, before=State.HERE)
        return list(missing)

    def _write_faults(self, found: Found, known: Mapping[str, FileRow], gone: set[str]) -> None:
        """Store the faults of the walk, and delete skipped files that no longer exist."""
        missing = gone - {path for path, _ in found.faults}
        self.store.files.delete_skipped(
            path for path in missing if known[path].hit_id is None and self._was_listed(path, found)
        )
        faults = [(path, 0, NO_TIME_NS, reason) for path, reason in found.faults]
        self.store.files.write_skipped(faults)

    def _was_listed(self, path: str, found: Found) -> bool:
        return any(is_under(path, root) for root in self.roots) and not any(
            is_under(path, folder) for folder in found.unlisted
        )

    def _measure_all(self, tasks: list[Task]) -> None:
        """Measure in workers and write batch by batch."""
        self.report(Progress("measuring", 0, len(tasks)))
        batch: list[Outcome] = []
        with contextlib.closing(self.outcomes_of(tasks)) as outcomes:
            try:
                for n_done, outcome in enumerate(outcomes, start=1):
                    batch.append(outcome)
                    if len(batch) == FILES_PER_WRITE or n_done == len(tasks):
                        with uninterrupted():  # not written twice
                            self._write(batch)
                            batch = []
                    self.report(Progress("measuring", n_done, len(tasks)))
            except (Stopped, KeyboardInterrupt, ClusterError):
                with uninterrupted():
                    self._write(batch)  # the next scan continues from here
                raise

    def _find_companions(
        self, changed: Sequence[tuple[FoundFile, FileRow]]
    ) -> Callable[[], dict[str, FileOverride]]:
        """Return a function that returns the files to be cut anew, once the changed are measured.

        A file that another recording has replaced may have given strokes to the other files of its
        take, which are known only until it is measured.
        """
        before = {
            file.path: find_companions(self.store, file.path)
            for file, row in changed
            if row.hit_id is not None and row.version == MEASURE_VERSION and not self.again
        }

        def of_changed() -> dict[str, FileOverride]:
            done = set(self.written["changed"])
            found = [before[path] for path in done & before.keys()]
            return {p: cut for cuts in found for p, cut in cuts.items() if p not in done}

        return of_changed

    def _measure_again(self, found: Found, cuts: Mapping[str, FileOverride]) -> None:
        """Measure files again whose strokes depend on the other files of their take."""
        if not cuts:
            return
        tasks = [Task(f, override=cuts[f.path]) for f in found.files if f.path in cuts]
        with contextlib.closing(self.outcomes_of(tasks)) as outcomes:
            measured = [outcome.measured for outcome in outcomes if outcome.measured]
        with uninterrupted():
            self.store.files.write_measured(self._classify(measured))

    def _write(self, batch: Sequence[Outcome]) -> None:
        batch = [self._apply_override(outcome) for outcome in batch]
        files = self._classify([outcome.measured for outcome in batch if outcome.measured])
        for file, change in zip(files, self.store.files.write_measured(files), strict=True):
            self.written[change].append(file.file.path)
        for task in [o.task for o in batch if o.measured is None and not o.reason]:
            if task.hit_id is not None:  # the file holds what it held: store its new time
                path, _, size, mtime_ns, _ = task.file
                self.store.files.mark_same(task.hit_id, path=path, size=size, mtime_ns=mtime_ns)
                self.written["unchanged"].append(path)
        faults = [outcome for outcome in batch if outcome.reason]
        self.store.files.write_skipped(map(_skipped_row, faults))
        self.skipped += [Skipped(Path(fault.task.file.path), fault.reason) for fault in faults]

    def _apply_override(self, outcome: Outcome) -> Outcome:
        """Measure again if there is an override for what the file holds now."""
        override, used = self.overrides.get(outcome.content_hash), outcome.task.override
        is_done = used is not None and used.content_hash == outcome.content_hash
        if outcome.measured is None or override is None or is_done:
            return outcome
        task = replace(outcome.task, override=override, known_hash="")
        return measure_task(task, self.measure)

    def _classify(self, files: Sequence[MeasuredFile]) -> list[MeasuredFile]:
        """Return the files with the roles of their strokes, classified together."""
        if not files:
            return []
        embeddings = np.stack([stroke.embedding for file in files for stroke in file.strokes])
        probabilities = np.asarray(self.classify(embeddings), dtype=np.float32)
        ends = np.cumsum([len(file.strokes) for file in files])
        parts = np.split(probabilities, ends[:-1])
        return [_with_roles(file, part) for file, part in zip(files, parts, strict=True)]


def _with_roles(file: MeasuredFile, probabilities: np.ndarray) -> MeasuredFile:
    by_name = role_from_name(file.file.path, root=file.file.root)
    roles = tuple(combine_role(by_name, row) for row in probabilities)
    return replace(file, roles=roles, role_probabilities=probabilities)


def _skipped_row(outcome: Outcome) -> tuple[str, int, int, str]:
    file = outcome.task.file
    return file.path, file.size, NO_TIME_NS if outcome.try_again else file.mtime_ns, outcome.reason


def _sorted_paths(names: Iterable[str]) -> tuple[Path, ...]:
    return tuple(Path(name) for name in sorted(names))


def _hash_or_none(file: FoundFile) -> str | None:
    try:
        return hash_file(file.path, file.mate)
    except OSError:  # whoever measures it reports the fault
        return None
