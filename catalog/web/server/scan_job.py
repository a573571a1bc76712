"""One scan at a time in the background of the page."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from catalog.catalog import Catalog
from catalog.errors import CatalogError, ParameterError, Stopped
from catalog.library.scan.walk import check_roots
from catalog.reports import Progress, ScanReport
from catalog.web.labels import count_of, duration_text

RATE_S = 8.0  # the rate is measured over the last seconds, for files differ in length
RATE_MARKS = 200  # measurements kept for the rate
FIRST_S = 1.0  # shorter times give no reliable rate


@dataclass(frozen=True)
class ScanState:
    """The progress of a scan."""

    number: int = 0  # 0 before the first scan; grows with each
    status: str = "none"  # or "running", "stopping", "stopped", "done" or "failed"
    folders: tuple[str, ...] = ()
    step: str = ""  # "looking" or "measuring"
    done: int = 0  # files
    total: int = 0  # files, 0 while it is not known
    rate: float = 0.0  # files a second, 0 while it is not known
    left_s: float = 0.0  # still to go, 0 while it is not known
    report: ScanReport | None = None  # when it is done
    error: str = ""  # why it failed

    @property
    def is_running(self) -> bool:
        """Whether it is running or stopping."""
        return self.status in ("running", "stopping")

    @property
    def text(self) -> str:
        """Progress, rate and remaining time as one line."""
        if self.status == "stopping":
            return "Stopping after the present files …"
        if self.step == "looking" or not self.total:
            return f"Looking for files: {self.done:,} so far …"
        parts = [f"{self.done:,} of {count_of(self.total, 'file')} measured"]
        if self.rate:
            parts.append(
                f"{self.rate:.0f} a second" if self.rate >= 1 else "less than one a second"
            )
        if self.left_s:
            parts.append(f"about {duration_text(self.left_s)} left")
        return ", ".join(parts)


@dataclass
class _Job:
    number: int
    folders: tuple[str, ...]
    again: bool = False  # read unchanged files too
    status: str = "running"
    progress: Progress = field(default_factory=lambda: Progress("looking", 0, 0))
    marks: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=RATE_MARKS))
    report: ScanReport | None = None
    error: str = ""
    stop: threading.Event = field(default_factory=threading.Event)

    def report_progress(self, progress: Progress) -> None:
        """Record progress; raise `Stopped` if the scan is to stop."""
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
        """Return the files a second over the last seconds, Hz."""
        marks = list(self.marks)
        if len(marks) < 2 or marks[-1][0] - marks[0][0] < FIRST_S:
            return 0.0
        return (marks[-1][1] - marks[0][1]) / (marks[-1][0] - marks[0][0])

    def run(self, catalog: Catalog) -> None:
        """Scan to the end, or until stopped."""
        try:
            self.report = catalog.scan(
                self.folders, again=self.again, on_progress=self.report_progress
            )
            self.status = "done"
        except Stopped:
            self.status = "stopped"
        except (CatalogError, OSError) as err:
            self.error, self.status = str(err), "failed"
        except Exception as err:  # nothing else would report an error of this thread
            self.error, self.status = f"{type(err).__name__}: {err}", "failed"


class ScanJobs:
    """Run one scan at a time in the background; any tab may start, watch and stop it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._job: _Job | None = None
        self._thread: threading.Thread | None = None

    def start(self, catalog: Catalog, folders: Sequence[str], *, again: bool = False) -> int:
        """Start a scan of absolute folders, `again` as in `Scans.run`; return its number.

        Raises
        ------
        ParameterError
            if a folder does not exist, or a scan is running
        """
        roots = tuple(check_roots(folders))
        with self._lock:
            if self._thread is not None and self._thread.is_alive():
                raise ParameterError("a scan is running; wait for it, or stop it first")
            number = 1 if self._job is None else self._job.number + 1
            self._job = job = _Job(number, roots, again)
            self._thread = threading.Thread(
                target=job.run, args=(catalog,), name="scan", daemon=True
            )
            self._thread.start()
            return job.number

    def stop(self) -> None:
        """Stop the scan after the present file; a scan of the same folders continues there."""
        with self._lock:
            if self._job is not None:
                self._job.stop.set()

    def state(self) -> ScanState:
        """Return the state of the last scan."""
        job = self._job
        if job is None:
            return ScanState()
        progress, rate = job.progress, job.rate()
        status = "stopping" if job.status == "running" and job.stop.is_set() else job.status
        left_s = (progress.total - progress.done) / rate if rate and progress.total else 0.0
        return ScanState(
            job.number, status, job.folders, progress.step, progress.done, progress.total,
            rate, left_s, job.report, job.error,
        )  # fmt: skip
