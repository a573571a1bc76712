"""Ctrl+C in a terminal, at random moments: a command stops within a second, nothing half done."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.library.scan.walk import hash_file
from tests.trust.conftest import write_stroke

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
N_STOPS, N_STOPS_IN_FULL = 5, 50  # of each command
MOST_S = 1.0  # from the signal to the end of the process
SENTENCE = "catalog: stopped; finished work is stored"
RUN = """
import sys
from catalog.__main__ import main
sys.argv[0] = "catalog"
print("ready", file=sys.stderr, flush=True)
sys.exit(main())
"""


def interrupt(arguments: list[object], *, after_s: float) -> tuple[int, str, float]:
    """Run a command in a process group of its own; send SIGINT to the group `after_s` later.

    Return the exit code, standard error and the seconds from the signal to the end.
    """
    run = subprocess.Popen(
        [sys.executable, "-c", RUN, *map(str, arguments)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert run.stderr is not None
    assert run.stderr.readline() == "ready\n"
    time.sleep(after_s)
    began = time.monotonic()
    try:
        os.killpg(run.pid, signal.SIGINT)
    except ProcessLookupError:
        began = time.monotonic()
    words = run.communicate(timeout=30)[1]
    return run.returncode, words, time.monotonic() - began


def time_of(arguments: list[object]) -> float:
    """Return the seconds that a command takes when nothing stops it."""
    began = time.monotonic()
    subprocess.run(
        [sys.executable, "-c", RUN, *map(str, arguments)], capture_output=True, check=False
    )
    return time.monotonic() - began


def check_end(code: int, words: str, seconds: float, *, ends: set[int]) -> int:
    """Check how a command ended; return 1 if it was stopped, 0 if it had ended before."""
    assert "Traceback" not in words, words
    assert "rollback" not in words, words
    assert "ignored" not in words, words
    shared = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))  # with other programs
    assert seconds < MOST_S * shared, (seconds, code, words)
    if code == 130:
        assert words.rstrip().splitlines()[-1].endswith(SENTENCE), words
        return 1
    assert code in ends, (code, words)
    return 0


def contents(*folders: Path) -> list[str]:
    """Return the hashes of all sound files in some folders, in order."""
    return sorted(hash_file(p) for f in folders for p in f.rglob("*.wav") if p.is_file())


@pytest.fixture
def copied(tmp_path: Path, library: Path) -> tuple[Path, Path]:
    """Return a store and a folder with 40 hits and a copy of each."""
    shutil.copytree(library / "Old barn", library / "Old barn again")
    store = tmp_path / "drums.sqlite"
    with Catalog.open(store) as cat:
        assert len(cat.scan([library], n_jobs=2).added) == 80
    return store, library


def check_store(store: Path) -> None:
    with sqlite3.connect(store) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("SELECT count(*) FROM journal").fetchone() == (0,)


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_stopped_scan_stores_what_was_measured(full, tmp_path, library, jobs):
    rng, n_stopped = random.Random(jobs), 0
    for k in range(80):
        write_stroke(library / "Loft" / f"snare_{k}.wav", 1000 + k, hz=190.0)
    command = ["scan", library, "--jobs", jobs, "--store"]
    whole_s = time_of([*command, tmp_path / "first.sqlite"])
    for k in range(N_STOPS_IN_FULL if full else N_STOPS):
        store = tmp_path / f"{k}.sqlite"
        end = interrupt([*command, store], after_s=rng.uniform(0, whole_s))
        n_stopped += check_end(*end, ends={0})
        with Catalog.open(store) as cat:
            n_hits = len(cat.hits())
            report = cat.scan([library], n_jobs=1)
            assert (len(report.unchanged), len(report.added)) == (n_hits, 120 - n_hits)
    assert n_stopped > 0


def test_stopped_moves_lose_no_file_and_need_no_repair(full, tmp_path, copied):
    store, library = copied
    rng, before, n_stopped = random.Random(3), contents(library), 0
    aside = store.with_name(store.name + ".aside")
    with Catalog.open(store) as cat:
        ids = [hit.id for hit in cat.hits()][:60]
    whole_s = {}
    moves = ["set-aside", *ids, "--yes", "--store", store]
    undo = ["undo", "--all", "--yes", "--store", store]
    for command in (moves, undo):
        whole_s[command[0]] = time_of(command)
    for _ in range(N_STOPS_IN_FULL if full else N_STOPS):
        for command in (moves, undo):
            end = interrupt(command, after_s=rng.uniform(0, whole_s[command[0]]))
            n_stopped += check_end(*end, ends={0, 1, 2})
            Catalog.open(store).close()
            check_store(store)
            assert contents(library, aside) == before
            with Catalog.open(store) as cat:
                hits = cat.hits(states=["here", "aside"])
                assert all(hit.path.exists() for hit in hits)
                assert len(hits) == 80
                cat.files.undo(everything=True)
    assert contents(library) == before
    assert n_stopped > 0


def test_a_stopped_search_for_copies_leaves_the_store_valid(full, copied):
    store, _ = copied
    rng, n_stopped = random.Random(4), 0
    command = ["copies", "--store", store]
    whole_s = time_of(command)
    for _ in range(N_STOPS_IN_FULL if full else N_STOPS):
        end = interrupt(command, after_s=rng.uniform(0, whole_s))
        n_stopped += check_end(*end, ends={0, 1})
        check_store(store)
        with sqlite3.connect(store) as db:  # so that it compares them again
            for (table,) in db.execute(
                "SELECT name FROM sqlite_master WHERE name IN ('pair', 'verdict_cache')"
            ).fetchall():
                db.execute(f"DELETE FROM {table}")
    assert n_stopped > 0


def test_a_stopped_export_leaves_a_whole_kit_or_nothing(full, tmp_path, copied):
    store, _ = copied
    rng, n_stopped, out = random.Random(5), 0, tmp_path / "out"
    fill = ["fill", "--save", "k", "--store", store]
    subprocess.run([sys.executable, "-c", RUN, *map(str, fill)], check=True, capture_output=True)
    whole_s = time_of(["export", "k", out / "first", "--store", store])
    assert (out / "first" / "manifest.json").exists()
    files = {p.name for p in (out / "first").rglob("*")}
    for k in range(N_STOPS_IN_FULL if full else N_STOPS):
        command = ["export", "k", out / str(k), "--store", store]
        end = interrupt(command, after_s=rng.uniform(0, whole_s))
        n_stopped += check_end(*end, ends={0})
        if (out / str(k)).exists():
            assert {p.name for p in (out / str(k)).rglob("*")} == files
        assert [p.name for p in out.iterdir() if p.name.startswith(".")] == []
    assert n_stopped > 0
