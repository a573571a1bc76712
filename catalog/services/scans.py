"""Scan folders and list the scanned ones."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from catalog.context import Context
from catalog.library.scan.folders import ScannedFolder, record_folders, scanned_folders
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import check_roots
from catalog.models import OnProgress, ScanReport
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
        record_folders(store, roots, finished=True)
        self._annotations.propagate_roles()
        return report

    def folders(self) -> list[ScannedFolder]:
        """Return the scanned folders, newest first, and whether each scan was completed."""
        return scanned_folders(self._context.store)
