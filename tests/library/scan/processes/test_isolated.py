"""Worker processes end with their parent, and a death of one is no proof against a file."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from catalog.library.scan.processes.isolated import IsolatedWorker, WorkerDied
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.workers import measure_file

END_S = 1.0  # after which no worker is left
PARENT = """
import sys
from pathlib import Path
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.store import Store
from tests.library.scan.processes.test_isolated import sleep_on
with Store.open(sys.argv[1]) as store:
    scan_folders(store, [sys.argv[2]], n_jobs=2, measure=sleep_on)
"""


def sleep_on(_path: Path):
    """Never return."""
    time.sleep(600)


def compute_on(_path: Path):
    """Never return, and never let another thread run."""
    sum(range(10**12))


def die_once(path: Path):
    """Die of a signal at the first call for each file, as if another program had killed it."""
    mark = path.with_suffix(".tried")
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return measure_file(path)


def be_killed(_path: Path):
    """Die as if the system had no memory left."""
    os.kill(os.getpid(), signal.SIGKILL)


def crash(_path: Path):
    """Die as a faulty decoder does."""
    os.kill(os.getpid(), signal.SIGSEGV)


def lack_memory(_path: Path):
    """Raise what Python raises without memory."""
    raise MemoryError


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("work", ["sleep_on", "compute_on"])
def test_no_worker_outlives_its_parent(tmp_path, library, number, work):
    code = PARENT.replace("sleep_on", work)
    run = subprocess.Popen([sys.executable, "-c", code, tmp_path / "s.sqlite", library])
    parent, workers = psutil.Process(run.pid), []
    give_up = time.monotonic() + 30
    while len(workers) < 2 and time.monotonic() < give_up:
        workers = parent.children(recursive=True)
        time.sleep(0.02)
    time.sleep(1.0)  # until they measure
    assert len(workers) == 2
    run.send_signal(number)
    assert run.wait(timeout=END_S) == -number
    give_up = time.monotonic() + END_S
    while any(map(is_alive, workers)) and time.monotonic() < give_up:
        time.sleep(0.01)
    alive = [worker for worker in workers if is_alive(worker)]
    for worker in alive:
        worker.kill()
    assert alive == []


def is_alive(process: psutil.Process) -> bool:
    """Return whether a process has not ended; one that ended may stay listed as a zombie."""
    return process.is_running() and process.status() != psutil.STATUS_ZOMBIE


@pytest.mark.parametrize(
    ("measure", "words"),
    [
        (be_killed, r"its process was killed \(SIGKILL\), often for lack of memory"),
        (crash, r"crashes the decoder \(SIGSEGV\)"),
        (lack_memory, "there was not enough memory"),
    ],
)
def test_a_death_is_a_reason_until_the_next_scan(store, library, measure, words):
    report = scan_folders(store, [library / "Attic"], n_jobs=2, measure=measure)
    assert len(report.skipped) == 2
    for skipped in report.skipped:
        assert re.search(words, skipped.reason)
        assert skipped.reason.endswith("it will be tried again at the next scan")
    report = scan_folders(store, [library / "Attic"], n_jobs=2)
    assert (len(report.added), report.skipped) == (2, ())


def test_a_file_whose_worker_was_killed_is_tried_again_at_once(store, library):
    report = scan_folders(store, [library / "Attic"], n_jobs=2, measure=die_once)
    assert (len(report.added), report.skipped) == (2, ())


def test_a_death_carries_its_signal():
    worker = IsolatedWorker()
    with pytest.raises(WorkerDied) as died:
        worker.call(be_killed, Path())
    assert died.value.signal_name == "SIGKILL"
    with pytest.raises(WorkerDied) as died:
        worker.call(os._exit, 3)
    assert (died.value.signal_name, died.value.exit_code) == ("", 3)
    worker.close()


def test_an_exception_in_a_worker_is_raised_here():
    worker = IsolatedWorker()
    with pytest.raises(ZeroDivisionError):
        worker.call(divmod, 1, 0)
    assert worker.call(divmod, 7, 2) == (3, 1)
    worker.close()
