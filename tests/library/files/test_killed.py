"""Programs that move files and are killed: each file must be whole in one place, always."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from catalog.library.files.set_aside import restore_hits
from catalog.library.files.undo import undo_steps
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.hits import Store

N_KILLS = 10  # in each of two places
N_KILLS_IN_FULL = 60
N_OPENINGS = 100


@pytest.fixture
def scanned(store, library):
    scan_folders(store, [library], n_jobs=1)
    return store


def facts(path: Path):
    return path.read_bytes(), path.stat().st_mtime_ns


def files_below(folder: Path):
    return sorted(path for path in folder.rglob("*") if path.is_file())


CYCLE = """
import sys
from catalog.library.files.set_aside import restore_hits, set_aside_hits
from catalog.library.store.hits import Store
from catalog.library.files.undo import undo_steps
with Store.open(sys.argv[1]) as store:
    print("ready", flush=True)
    ids = [hit.id for hit in store.hits(states=("here", "aside"))]
    while True:
        for hit in map(store.hit, ids):
            if hit.state == "here":
                set_aside_hits(store, [hit.id], reason="round")
            else:
                restore_hits(store, [hit.id])
"""


def test_a_move_at_work_is_not_taken_for_an_interrupted_one(scanned, library):
    before = {path: facts(path) for path in files_below(library)}
    run = subprocess.Popen([sys.executable, "-c", CYCLE, scanned.path], stdout=subprocess.PIPE)
    assert run.stdout is not None
    assert run.stdout.readline() == b"ready\n"
    for _ in range(N_OPENINGS):  # each one looks for interrupted moves
        with Store.open(scanned.path) as store:
            assert len(store.hits(states=("here", "aside"))) == len(before)
    assert run.poll() is None  # it never met an error
    run.kill()
    run.communicate()
    with Store.open(scanned.path) as store:
        assert len(store.history()) > 2
        restore_hits(store, [hit.id for hit in store.hits(states=("aside",))])
    assert {path: facts(path) for path in files_below(library)} == before


@pytest.mark.parametrize("elsewhere", [False, True], ids=["one disk", "two disks"])
@pytest.mark.timeout(3600)
def test_a_killed_program_loses_no_file(full, library, tmp_path, elsewhere):
    n_kills = N_KILLS_IN_FULL if full else N_KILLS
    _kill_again_and_again(library, tmp_path, n_kills=n_kills, elsewhere=elsewhere)


def _kill_again_and_again(library, tmp_path, *, n_kills, elsewhere):
    """Kill a program that sets aside and restores, and look each time where every file is."""
    memory = Path("/dev/shm")
    if elsewhere and (not memory.is_dir() or memory.stat().st_dev == library.stat().st_dev):
        pytest.skip("needs a second file system at /dev/shm")
    before = {path: facts(path) for path in files_below(library)}
    chance = random.Random(n_kills)
    with tempfile.TemporaryDirectory(dir=memory if elsewhere else tmp_path) as folder:
        place = Path(folder) / "drums.sqlite"
        with Store.open(place) as store:
            scan_folders(store, [library], n_jobs=1)
            hits = store.hits()
        for _ in range(n_kills):
            run = subprocess.Popen([sys.executable, "-c", CYCLE, place], stdout=subprocess.PIPE)
            assert run.stdout is not None
            assert run.stdout.readline() == b"ready\n"
            time.sleep(chance.uniform(0.0, 0.15))
            run.send_signal(signal.SIGKILL)
            run.communicate()
            _check_all_whole(place, library, hits, before)
        with Store.open(place) as store:
            assert len(store.history()) > n_kills  # the program did get to work
            left = undo_steps(store).left
            assert left == ()
        assert {path: facts(path) for path in files_below(library)} == before


def _check_all_whole(place, library, hits, before):
    with Store.open(place) as store:
        for hit in hits:
            assert facts(store.hit(hit.id).path) == before[hit.path]
        assert len(files_below(library)) + len(files_below(store.aside_folder)) == len(hits)
        assert store.read("SELECT * FROM journal") == []
