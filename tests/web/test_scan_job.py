"""The scan behind the page: its state, stopping it, going on, and one at a time."""

from __future__ import annotations

import threading

import pytest

from catalog import Catalog, ParameterError, Progress
from catalog.web import scan_job as scanning
from catalog.web.scan_job import ScanState, scan_state, start_scan, stop_scan
from catalog.web.views.recordings.progress import say_state
from tests.web.conftest import wait_for_scan, write_library

WAIT_S = 60


@pytest.fixture
def empty(tmp_path):
    write_library(tmp_path / "recordings")
    with Catalog.open(tmp_path / "drums.sqlite") as catalog:
        yield catalog
        stop_scan()
        wait_for_scan(catalog, WAIT_S)


class Gate:
    """Lets a scan come to its n-th file and wait there."""

    def __init__(self, monkeypatch, n_files: int) -> None:
        self.reached, self.go = threading.Event(), threading.Event()
        hear = scanning._Job.hear

        def hear_and_wait(job, progress):
            if progress.step == "measuring" and progress.done == n_files and not self.go.is_set():
                self.reached.set()
                assert self.go.wait(WAIT_S)
            hear(job, progress)

        monkeypatch.setattr(scanning._Job, "hear", hear_and_wait)


def test_a_scan_runs_behind_and_tells_its_report(empty, tmp_path):
    assert scan_state(empty).status in ("none", "done", "stopped")
    start_scan(empty, [str(tmp_path / "recordings")])
    state = wait_for_scan(empty, WAIT_S)
    assert (state.status, state.folders) == ("done", (str(tmp_path / "recordings"),))
    assert len(state.report.added) == len(empty.hits()) == 23
    assert len(state.report.skipped) == 1


def test_a_scan_is_stopped_and_gone_on_with(empty, tmp_path, monkeypatch):
    gate = Gate(monkeypatch, 7)
    start_scan(empty, [str(tmp_path / "recordings")])
    assert gate.reached.wait(WAIT_S)
    assert scan_state(empty).status == "running"
    with pytest.raises(ParameterError, match="a scan is at work"):
        start_scan(empty, [str(tmp_path / "recordings")])
    stop_scan()
    assert scan_state(empty).status == "stopping"
    gate.go.set()
    state = wait_for_scan(empty, WAIT_S)
    assert (state.status, state.done, state.total) == ("stopped", 7, 24)
    n_first = len(empty.hits())
    assert 6 <= n_first <= 7  # one of the first seven may be the broken one
    assert not empty.folders()[0].finished
    number = start_scan(empty, state.folders)
    again = wait_for_scan(empty, WAIT_S)
    assert (again.number, again.status) == (number, "done")
    assert len(again.report.unchanged) == n_first
    assert len(empty.hits()) == 23
    assert empty.folders()[0].finished


def test_a_folder_that_is_not_there_is_refused_and_no_scan_begins(empty, tmp_path):
    before = scan_state(empty)
    with pytest.raises(ParameterError, match="does not exist"):
        start_scan(empty, [str(tmp_path / "nowhere")])
    assert scan_state(empty) == before


def test_a_scan_that_fails_says_why(empty, tmp_path, monkeypatch):
    def fail(*_, **__):
        raise OSError("the disk has gone")

    monkeypatch.setattr(empty, "scan", fail)
    start_scan(empty, [str(tmp_path / "recordings")])
    state = wait_for_scan(empty, WAIT_S)
    assert (state.status, state.trouble) == ("failed", "the disk has gone")


def test_the_scan_of_another_store_is_not_shown(empty, tmp_path):
    start_scan(empty, [str(tmp_path / "recordings")])
    wait_for_scan(empty, WAIT_S)
    with Catalog.open(tmp_path / "other.sqlite") as other:
        assert scan_state(other) == ScanState()


def test_the_rate_is_that_of_the_last_seconds(monkeypatch):
    now = [100.0]
    monkeypatch.setattr(scanning.time, "monotonic", lambda: now[0])
    job = scanning._Job(1, scanning.Path("s"), ())
    job.hear(Progress("measuring", 0, 1000))
    assert job.rate() == 0.0
    for second in range(1, 41):  # 10 a second at first, then 2
        now[0] = 100.0 + second
        job.hear(Progress("measuring", min(200, 10 * second) + 2 * max(0, second - 20), 1000))
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
def test_the_state_is_said_in_words(state, words):
    assert words in say_state(state)
