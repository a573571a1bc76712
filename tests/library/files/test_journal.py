"""Processes that die while they move files: each file must be whole at exactly one path, always."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import pytest

from catalog.library.files.journal import clear_warnings, open_store, read_warnings
from catalog.library.files.set_aside import restore_hits, set_aside_hits
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.records.history import History
from tests.library.files.conftest import snapshot, undo_steps

N_KILLS = 10  # on each of two disks
N_KILLS_IN_FULL = 60
N_OPENINGS = 100
MEMORY = Path("/dev/shm")  # on Linux another file system than the temporary folder
N_STEPS = {"link": 7, "copy": 8}  # calls that `_die_after` counts in one move

CYCLE = """
import itertools, sys
from catalog.library.files.set_aside import restore_hits, set_aside_hits
from catalog.library.files.journal import open_store
with open_store(sys.argv[1]) as store:
    ids = [hit.id for hit in store.hits.read(states=("here", "aside"))]
    for n in itertools.count():
        hit = store.hits.get(ids[n % len(ids)])
        if hit.state == "here":
            set_aside_hits(store, [hit.id], reason="round")
        else:
            restore_hits(store, [hit.id])
        if n == 0:
            print("at work", flush=True)
"""


class ProcessDied(BaseException):
    """Stands for the end of the process at one step."""


@pytest.mark.parametrize("action", ["set aside", "restore"])
@pytest.mark.parametrize(
    ("way", "n_calls"), [(way, n) for way in N_STEPS for n in range(N_STEPS[way])]
)
def test_a_crash_at_any_step_leaves_one_intact_file(
    scanned, library, monkeypatch, way, n_calls, action
):
    before = snapshot(library)
    contents = {hit.id: before[hit.path] for hit in scanned.hits.read()}
    _die_in_move(scanned, monkeypatch, action, n_calls=n_calls, way=way)
    with open_store(scanned.path) as store:
        _check_all_whole(store, library, contents)
        restore_hits(store, [hit.id for hit in store.hits.read(states=("aside",))])
    assert snapshot(library) == before


def _die_in_move(store, monkeypatch, action, *, n_calls, way):
    """Let the process die while it moves the file of the first hit; return where that file was."""
    hit_id = store.hits.read()[0].id
    set_aside_hits(store, [hit_id], reason="")
    if action == "set aside":  # the journal in the folder exists in both cases
        restore_hits(store, [hit_id])
    source = store.hits.get(hit_id).path
    with monkeypatch.context() as patch:
        _die_after(patch, n_calls, way=way)
        move = restore_hits if action == "restore" else partial(set_aside_hits, reason="x")
        with pytest.raises(ProcessDied):
            move(store, [hit_id])
    store.close()
    return source


def _die_after(patch, n_calls, *, way):
    """End the process at the first call that touches the disk after `n_calls` of them."""
    n_left = n_calls

    def count(function):
        def counted(*args, **kwargs):
            nonlocal n_left
            n_left -= 1
            if n_left < 0:
                raise ProcessDied
            return function(*args, **kwargs)

        return counted

    def no_hard_links(*_, **__):
        raise OSError(18, "Invalid cross-device link")

    for owner, name in [(os, "unlink"), (os, "fsync"), (shutil, "copy2"), (History, "add")]:
        patch.setattr(owner, name, count(getattr(owner, name)))
    patch.setattr(os, "link", no_hard_links if way == "copy" else count(os.link))


@pytest.mark.parametrize("action", ["set aside", "restore"])
def test_a_file_that_cannot_be_removed_is_reported_and_the_store_opens(
    scanned, library, monkeypatch, make_immutable, caplog, action
):
    hit, before = scanned.hits.read()[0], snapshot(library)
    contents = {hit.id: before[hit.path] for hit in scanned.hits.read()}
    n_calls = N_STEPS["copy"] - 4  # the process dies before the source is removed
    source = _die_in_move(scanned, monkeypatch, action, n_calls=n_calls, way="copy")
    make_immutable(source)
    with open_store(scanned.path) as store:
        _check_all_whole(store, library, contents)
        assert store.hits.get(hit.id).path == source
    warning = f"{source}: cannot be moved (Operation not permitted); check its permissions"
    assert warning in caplog.text
    with open_store(scanned.path) as store:  # for the page, whatever command opened it first
        assert read_warnings(store) == [warning]
        clear_warnings(store)
        assert read_warnings(store) == []


def _start_cycle(store_path: Path) -> subprocess.Popen:
    run = subprocess.Popen([sys.executable, "-c", CYCLE, store_path], stdout=subprocess.PIPE)
    assert run.stdout is not None
    assert run.stdout.readline() == b"at work\n"
    return run


def _check_all_whole(store, library, contents):
    """Check that each hit's file is intact at the stored path, and that there is no other file."""
    files = {"here": snapshot(library), "aside": snapshot(store.aside_folder)}
    hits = store.hits.read(states=("here", "aside"))
    assert {hit.id: files[hit.state][hit.path] for hit in hits} == contents
    assert len(files["here"]) + len(files["aside"]) == len(contents)
    assert store.database.read("SELECT * FROM journal") == []


def test_a_move_in_progress_is_not_taken_for_an_interrupted_one(scanned, library):
    before = snapshot(library)
    run = _start_cycle(scanned.path)
    for _ in range(N_OPENINGS):  # each one looks for interrupted moves
        with open_store(scanned.path) as store:
            assert len(store.hits.read(states=("here", "aside"))) == len(before)
    assert run.poll() is None  # it met no error
    run.kill()
    run.communicate()
    with open_store(scanned.path) as store:
        assert len(store.history.read()) > 2
        restore_hits(store, [hit.id for hit in store.hits.read(states=("aside",))])
    assert snapshot(library) == before


@pytest.mark.parametrize("n_disks", [1, 2])
@pytest.mark.timeout(3600)
def test_a_killed_process_loses_no_file(full, library, tmp_path, n_disks):
    if n_disks == 2 and (not MEMORY.is_dir() or MEMORY.stat().st_dev == library.stat().st_dev):
        pytest.skip(f"needs a second file system at {MEMORY}")
    before = snapshot(library)
    n_kills = N_KILLS_IN_FULL if full else N_KILLS
    rng = random.Random(n_kills)
    with tempfile.TemporaryDirectory(dir=MEMORY if n_disks == 2 else tmp_path) as folder:
        store_path = Path(folder) / "drums.sqlite"
        with open_store(store_path) as store:
            scan_folders(store, [library], n_jobs=1)
            contents = {hit.id: before[hit.path] for hit in store.hits.read()}
        for _ in range(n_kills):
            run = _start_cycle(store_path)
            time.sleep(rng.uniform(0.0, 0.15))
            run.send_signal(signal.SIGKILL)
            run.communicate()
            with open_store(store_path) as store:
                _check_all_whole(store, library, contents)
        with open_store(store_path) as store:
            assert len(store.history.read()) >= n_kills  # each process made at least one move
            assert undo_steps(store).left == ()
    assert snapshot(library) == before
