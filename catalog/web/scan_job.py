"""One scan at a time in the background of the page, seen by all its tabs, stopped and resumed."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from catalog.catalog import Catalog
from catalog.errors import CatalogError, ParameterError, Stopped
from catalog.library.scan.walk import check_roots
from catalog.models import Progress, ScanReport

RATE_S = 8.0  # the rate is that of the last seconds: files differ in length
RATE_MARKS = 200  # marks kept for it
FIRST_S = 1.0  # before it a rate would be a guess


@dataclass(frozen=True)
class ScanState:
    """How the scan stands.

    Attributes
    ----------
    number : int
        0 before the first scan; grows with each
    status : str
        "none", "running", "stopping", "stopped", "done" or "failed"
    folders : tuple of str
    step : str, "looking" or "measuring"
    done, total : int, files; `total` is 0 while it is not known
    rate : float, files a second, 0 while it is not known
    left_s : float, seconds still to go, 0 while it is not known
    report : ScanReport or None, once it is done
    trouble : str, why it failed
    """

    number: int = 0
    status: str = "none"
    folders: tuple[str, ...] = ()
    step: str = ""
    done: int = 0
    total: int = 0
    rate: float = 0.0
    left_s: float = 0.0
    report: ScanReport | None = None
    trouble: str = ""

    @property
    def is_at_work(self) -> bool:
        """Whether it is running or about to stop."""
        return self.status in ("running", "stopping")


@dataclass
class _Job:
    number: int
    store_path: Path
    folders: tuple[str, ...]
    status: str = "running"
    progress: Progress = field(default_factory=lambda: Progress("looking", 0, 0))
    marks: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=RATE_MARKS))
    report: ScanReport | None = None
    trouble: str = ""
    stop: threading.Event = field(default_factory=threading.Event)

    def hear(self, progress: Progress) -> None:
        """Take one report of progress; end the scan here if that was asked for."""
        now = time.monotonic()
        if progress.step != self.progress.step:
            self.marks.clear()
        self.progress = progress
        self.marks.append((now, progress.done))
        while now - self.marks[0][0] > RATE_S:
            self.marks.popleft()
        if self.stop.is_set():
            raise Stopped("the scan was stopped; what was measured is kept")

    def rate(self) -> float:
        """Files a second over the last seconds."""
        marks = list(self.marks)
        if len(marks) < 2 or marks[-1][0] - marks[0][0] < FIRST_S:
            return 0.0
        return (marks[-1][1] - marks[0][1]) / (marks[-1][0] - marks[0][0])

    def run(self, catalog: Catalog) -> None:
        """Scan to the end, or until stopped."""
        try:
            self.report = catalog.scan(self.folders, on_progress=self.hear)
            self.status = "done"
        except Stopped:
            self.status = "stopped"
        except (CatalogError, OSError) as err:
            self.trouble, self.status = str(err), "failed"
        except Exception as err:  # the edge of the thread: the page must hear of it
            self.trouble, self.status = f"{type(err).__name__}: {err}", "failed"


_lock = threading.Lock()
_job: _Job | None = None
_thread: threading.Thread | None = None


def start_scan(catalog: Catalog, folders: Sequence[str]) -> int:
    """Begin a scan in the background.

    Parameters
    ----------
    catalog : Catalog
    folders : sequence of str, absolute

    Returns
    -------
    int, the number of the scan

    Raises
    ------
    ParameterError
        if a folder does not exist, or a scan is at work
    """
    global _job, _thread
    roots = tuple(check_roots(folders))
    with _lock:
        if _thread is not None and _thread.is_alive():
            raise ParameterError("a scan is at work; wait for it, or stop it first")
        _job = _Job(1 if _job is None else _job.number + 1, catalog.store_path, roots)
        _thread = threading.Thread(target=_job.run, args=(catalog,), name="scan", daemon=True)
        _thread.start()
        return _job.number


def stop_scan() -> None:
    """Ask the scan to end after the file it is at; the same scan goes on from there later."""
    with _lock:
        if _job is not None:
            _job.stop.set()


def scan_state(catalog: Catalog) -> ScanState:
    """Say how the last scan into a catalog stands."""
    job = _job
    if job is None or job.store_path != catalog.store_path:
        return ScanState()
    progress, rate = job.progress, job.rate()
    status = "stopping" if job.status == "running" and job.stop.is_set() else job.status
    left_s = (progress.total - progress.done) / rate if rate and progress.total else 0.0
    return ScanState(
        job.number, status, job.folders, progress.step, progress.done, progress.total,
        rate, left_s, job.report, job.trouble,
    )  # fmt: skip
