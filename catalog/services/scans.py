"""Scan folders and list the scanned ones."""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from catalog.context import Context
from catalog.errors import CatalogError
from catalog.kit.model import Kit
from catalog.library.backup.backup_reader import choose_backup
from catalog.library.backup.recover import recover_aside
from catalog.library.backup.recover_words import (
    RecoveredWords,
    restore_by_content,
    restore_words,
)
from catalog.library.scan.folders import (
    FOLDERS,
    ScannedFolder,
    record_folders,
    scanned_folders,
)
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.successors import continue_lost_hits
from catalog.library.scan.walk import check_roots
from catalog.library.store.records.kits import Kits as KitStore
from catalog.library.strokes.store_ties import tie_stored_strokes
from catalog.library.strokes.take_arrivals import measure_stored_arrivals
from catalog.reports import OnProgress, ScanReport
from catalog.search.drums.known_drums import learn_drums
from catalog.services.annotations import Annotations


class Scans:
    """Bring the store up to date with folders of recordings."""

    def __init__(self, context: Context, annotations: Annotations) -> None:
        self._context = context
        self._annotations = annotations

    def run(
        self,
        folders: Iterable[str | Path],
        *,
        n_jobs: int = -1,
        cluster: str = "",
        exports: bool = False,
        again: bool = False,
        on_progress: OnProgress | None = None,
    ) -> ScanReport:
        """Measure all new and changed recordings below `folders`; no recording is changed.

        Parameters
        ----------
        folders : iterable of str or Path
        n_jobs : int, worker processes; -1 for one per core
        cluster : str, address of a dask.distributed scheduler whose workers measure the files
        exports : bool
            also measure the files of exported kits, which are copies of other recordings;
            otherwise they are only counted, see `ScanReport.left_out`
        again : bool
            also read files whose size and time have not changed, and measure those whose content
            has changed or that could not be used
        on_progress : callable, optional, called with `Progress` records; may raise `Stopped`

        Returns
        -------
        ScanReport

        Raises
        ------
        ParameterError
            if a folder does not exist
        Stopped
            if `on_progress` raised it; a scan of the same folders continues from there

        Examples
        --------
        >>> again = cat.scan(["recordings"])
        >>> len(again.unchanged), len(again.added), len(again.skipped)
        (287, 0, 6)
        """
        store, roots = self._context.store, check_roots(folders)
        record_folders(store, roots, finished=False)
        report = scan_folders(
            store,
            roots,
            n_jobs=n_jobs,
            cluster=cluster,
            exports=exports,
            again=again,
            on_progress=on_progress,
        )
        report = self._continue_lost_hits(report)
        record_folders(store, roots, finished=True)
        if tie_stored_strokes(store) and measure_stored_arrivals(store):
            tie_stored_strokes(store, always=True)  # the earliest microphone may stand for a stroke
        self._annotations.propagate_roles()
        learn_drums(store, lambda: self._context.table().spaces)
        return report

    def _continue_lost_hits(self, report: ScanReport) -> ScanReport:
        """Let hits whose files are gone continue at copies of them; these count as moved."""
        kits = self._context.store.kits
        saved = [Kit.from_json(kit.payload) for kit in kits.read(checked=False)] + _draft(kits)
        in_kits = {hit_id for kit in saved for ids in kit.slots.values() for hit_id in ids}
        moved = continue_lost_hits(self._context.store, in_kits=in_kits)
        if not moved:
            return report
        old, new = {Path(x.lost_path) for x in moved}, {Path(x.path) for x in moved}
        return replace(
            report,
            added=tuple(path for path in report.added if path not in new),
            changed=tuple(path for path in report.changed if path not in new),
            unchanged=tuple(path for path in report.unchanged if path not in new),
            moved=tuple(sorted({*report.moved, *new})),
            missing=tuple(path for path in report.missing if path not in old),
        )

    def recover(
        self,
        backup: Path | None = None,
        *,
        n_jobs: int = -1,
        on_progress: OnProgress | None = None,
    ) -> RecoveredWords:
        """Put what the user wrote back into a new store, from a backup of the one that was lost.

        The folders of the backup are scanned, and files that are set aside are recovered. What the
        store holds already stays, so this can be repeated, for example once a disk is connected.

        Parameters
        ----------
        backup : Path, optional, by default the newest one beside the store
        n_jobs, on_progress : see `run`

        Returns
        -------
        RecoveredWords

        Raises
        ------
        StoreError
            if there is no backup, or it is damaged
        """
        store = self._context.store
        chosen = choose_backup(store.path, backup)
        n_verdicts = restore_by_content(store, chosen)
        rows = [row for row in chosen.tables["setting"] if row["key"] == FOLDERS]
        known = [path for row in rows for path, *_ in json.loads(row["value"])]
        if folders := [path for path in known if Path(path).is_dir()]:
            self.run(folders, n_jobs=n_jobs, on_progress=on_progress)
        recover_aside(store)
        result = restore_words(store, chosen, n_verdicts=n_verdicts)
        self._annotations.propagate_roles()
        gone = [f"{path} is not there; connect its disk" for path in known if path not in folders]
        return replace(result, left=(*result.left, *gone))

    def folders(self) -> list[ScannedFolder]:
        """Return the scanned folders, newest first, and whether each scan was completed."""
        return scanned_folders(self._context.store)


def _draft(kits: KitStore) -> list[Kit]:
    """Return the kits of the kit session; none if it was never saved."""
    with suppress(ValueError, KeyError, TypeError, CatalogError):
        return [Kit.from_json(text) for text in json.loads(kits.read_draft())["steps"]]
    return []
