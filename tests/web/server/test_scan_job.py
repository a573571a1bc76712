"""The background scan of the page: its state, stopping and continuing it, one at a time."""

from __future__ import annotations

import threading

import pytest

from catalog import Catalog, ParameterError, Progress
from catalog.web.server import scan_job
from catalog.web.server.scan_job import ScanJobs, ScanState
from tests.web.conftest import finished, write_library

WAIT_S = 60


@pytest.fixture
def empty(tmp_path):
    write_library(tmp_path / "recordings")
    with Catalog.open(tmp_path / "drums.sqlite") as catalog:
        yield catalog


@pytest.fixture
def jobs(empty):
    scans = ScanJobs()
    yield scans
    scans.stop()
    finished(scans)


class Gate:
    """Makes a scan wait at its n-th file."""

    def __init__(self, monkeypatch, n_files: int) -> None:
        self.reached, self.go = threading.Event(), threading.Event()
        report = scan_job._Job.report_progress

        def report_and_wait(job, progress):
            if progress.step == "measuring" and progress.done == n_files and not self.go.is_set():
                self.reached.set()
                assert self.go.wait(WAIT_S)
            report(job, progress)

        monkeypatch.setattr(scan_job._Job, "report_progress", report_and_wait)


def test_a_scan_is_stopped_and_continued(empty, jobs, tmp_path, monkeypatch):
    assert jobs.state() == ScanState()
    gate = Gate(monkeypatch, 7)
    jobs.start(empty, [str(tmp_path / "recordings")])
    assert gate.reached.wait(WAIT_S)
    assert jobs.state().status == "running"
    with pytest.raises(ParameterError, match="a scan is running"):
        jobs.start(empty, [str(tmp_path / "recordings")])
    jobs.stop()
    assert jobs.state().status == "stopping"
    gate.go.set()
    state = finished(jobs)
    assert (state.status, state.done, state.total) == ("stopped", 7, 24)
    n_first = len(empty.hits())
    assert 6 <= n_first <= 7  # one of the first seven may be the broken one
    assert not empty.folders()[0].finished
    number = jobs.start(empty, state.folders)
    again = finished(jobs)
    assert (again.number, again.status) == (number, "done")
    assert again.folders == (str(tmp_path / "recordings"),)
    assert len(again.report.unchanged) == n_first
    assert (len(again.report.added), len(again.report.skipped)) == (23 - n_first, 1)
    assert len(empty.hits()) == 23
    assert empty.folders()[0].finished


def test_a_missing_folder_is_refused_and_no_scan_starts(empty, jobs, tmp_path):
    before = jobs.state()
    with pytest.raises(ParameterError, match="does not exist"):
        jobs.start(empty, [str(tmp_path / "nowhere")])
    assert jobs.state() == before


def test_a_scan_that_fails_reports_why(empty, jobs, tmp_path, monkeypatch):
    def fail(*_, **__):
        raise OSError("the disk has gone")

    monkeypatch.setattr(empty, "scan", fail)
    jobs.start(empty, [str(tmp_path / "recordings")])
    state = finished(jobs)
    assert (state.status, state.error) == ("failed", "the disk has gone")


def test_the_rate_is_that_of_the_last_seconds(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(scan_job.time, "monotonic", lambda: now[0])
    job = scan_job._Job(1, ())
    job.report_progress(Progress("measuring", 0, 1000))
    assert job.rate() == 0.0
    for second in range(1, 41):  # 10 a second at first, then 2
        now[0] = 100.0 + second
        job.report_progress(
            Progress("measuring", min(200, 10 * second) + 2 * max(0, second - 20), 1000)
        )
    assert job.rate() == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (ScanState(1, "running", step="looking", done=1200), "Looking for files: 1,200 so far …"),
        (
            ScanState(1, "running", step="measuring", done=120, total=3000, rate=31.4, left_s=92),
            "120 of 3,000 files measured, 31 a second, about 2 min left",
        ),
        (ScanState(1, "running", step="measuring", done=0, total=1), "0 of 1 file measured"),
        (ScanState(1, "stopping", step="measuring", done=1, total=9), "Stopping after"),
    ],
)
def test_the_state_is_described(state, words):
    assert words in state.text
