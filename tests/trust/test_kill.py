"""Processes killed at random moments: the store stays valid and no sound file changes."""

from __future__ import annotations

import itertools
import json
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.library.scan.walk import hash_file
from tests.library.files.conftest import snapshot
from tests.trust.conftest import write_take

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
N_KILLS, N_KILLS_IN_FULL = 8, 130  # of each kind of process; those of set-aside come on top

SCAN = """
import os, sys
from pathlib import Path
from catalog import Catalog
with Catalog.open(sys.argv[1]) as cat:
    cat.scan([sys.argv[2]], n_jobs=1)
    print("ready", flush=True)
    n = 0
    while True:
        for path in sorted(Path(sys.argv[2]).rglob("*.wav"))[n % 5 :: 5]:
            os.utime(path, ns=(n, n))  # so that the file is read again
        with cat.context.store.writing() as db:
            db.execute("UPDATE hit SET version = 0 WHERE id % 3 = 0")  # and measured again
        cat.scan([sys.argv[2]], n_jobs=1)
        n += 1
"""
EXPORT = """
import sys
from pathlib import Path
from catalog import Catalog
from catalog.kit.model import Kit
with Catalog.open(sys.argv[1]) as cat:
    ids = {}
    for hit in cat.hits():
        ids.setdefault(hit.role, []).append(hit.id)
    kit = Kit(slots={role: tuple(ids[role]) for role in ("kick", "snare", "hat_closed", "crash")})
    cat.export_kit(kit, Path(sys.argv[3]) / "first")
    print("ready", flush=True)
    n = len(list(Path(sys.argv[3]).iterdir()))
    while True:
        n += 1
        cat.export_kit(kit, Path(sys.argv[3]) / f"kit_{n}_{sys.argv[4]}")
"""
LAYOUT = """
import sys
import numpy as np
from catalog import Catalog
import catalog.services.map as map_service
from catalog.search.layout import Layout
rng = np.random.default_rng()
def lay_out(spaces, representative, *, seed):
    xy = rng.uniform(-1, 1, (len(spaces.hit_ids), 2)).astype(np.float32)
    return Layout(spaces.hit_ids, xy, "pca")
map_service.compute_umap_layout = lay_out
with Catalog.open(sys.argv[1]) as cat:
    cat.map.compute()
    print("ready", flush=True)
    while True:
        cat.map.compute()
"""
CUT = """
import sys
from pathlib import Path
from catalog import Catalog
with Catalog.open(sys.argv[1]) as cat:
    take = next(hit for hit in cat.hits() if hit.path.name == "take.wav")
    cat.takes.write_strokes(take.id, Path(sys.argv[3]) / "first")
    print("ready", flush=True)
    n = 0
    while True:
        n += 1
        strokes = cat.takes.regions(take.id)
        if len(strokes) == 6:
            cat.takes.split_region(strokes[0].id, at=(strokes[0].start + strokes[0].stop) // 2)
        else:
            cat.takes.merge_regions([stroke.id for stroke in strokes[:2]])
        cat.takes.write_strokes(take.id, Path(sys.argv[3]) / f"cut_{n}_{sys.argv[4]}")
"""


def run_and_kill(code: str, *arguments: object, after_s: float) -> None:
    """Start a process, wait until it prints "ready", and kill it `after_s` later."""
    command = [sys.executable, "-c", code, *map(str, arguments)]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stdout is not None
    assert run.stdout.readline() == "ready\n"
    time.sleep(after_s)
    assert run.poll() is None  # it met no error
    run.send_signal(signal.SIGKILL)
    run.communicate()


def check_store(store_path: Path) -> None:
    """Check the file with SQLite's own integrity check, before and after it is opened."""
    for _ in range(2):
        with sqlite3.connect(store_path) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        Catalog.open(store_path).close()


def scan_library(tmp_path: Path, library: Path) -> Path:
    store_path = tmp_path / "drums.sqlite"
    with Catalog.open(store_path) as cat:
        assert len(cat.scan([library], n_jobs=1).added) == 40
    return store_path


def test_a_killed_scan_leaves_a_valid_store_and_the_next_one_completes_it(full, tmp_path, library):
    store_path, rng = scan_library(tmp_path, library), random.Random(1)
    contents = {path: data for path, (data, _) in snapshot(library).items()}
    for _ in range(N_KILLS_IN_FULL if full else N_KILLS):
        run_and_kill(SCAN, store_path, library, after_s=rng.uniform(0, 0.6))
        check_store(store_path)
        with Catalog.open(store_path) as cat:
            report = cat.scan([library], n_jobs=1)
            assert (report.missing, report.skipped, report.added) == ((), (), ())
            assert len(cat.hits()) == 40
            assert len(cat.scan([library], n_jobs=1).unchanged) == 40
    assert {path: data for path, (data, _) in snapshot(library).items()} == contents


def test_a_killed_export_leaves_nothing_that_looks_finished(full, tmp_path, library):
    store_path, rng = scan_library(tmp_path, library), random.Random(2)
    out, before = tmp_path / "out", snapshot(library)
    for k in range(N_KILLS_IN_FULL if full else N_KILLS):
        out.mkdir()
        run_and_kill(EXPORT, store_path, library, out, k, after_s=rng.uniform(0, 0.5))
        finished = [path for path in out.iterdir() if not path.name.startswith(".")]
        assert finished
        for kit in finished:
            check_kit(kit)
        out.rename(tmp_path / f"checked {k}")
    check_store(store_path)
    assert snapshot(library) == before


def check_kit(folder: Path) -> None:
    """Check each file against the hash in the manifest, and that the SFZ file plays them all."""
    rows = json.loads((folder / "manifest.json").read_text("utf-8"))["files"]
    assert len(rows) == 32
    for row in rows:
        assert hash_file(folder / row["file"]) == row["sha256"]
    assert (folder / "kit.sfz").read_text("utf-8").count("<region>") >= 32


def test_a_killed_layout_leaves_the_old_map_or_the_new_one(full, tmp_path, library):
    store_path, rng = scan_library(tmp_path, library), random.Random(3)
    for _ in range(N_KILLS_IN_FULL if full else N_KILLS):
        run_and_kill(LAYOUT, store_path, after_s=rng.uniform(0, 0.4))
        check_store(store_path)
        with Catalog.open(store_path) as cat:
            layout = cat.map.layout()
            assert len(layout.hit_ids) == len(layout.xy) == 40


def test_a_killed_edit_of_regions_leaves_all_strokes_and_complete_folders(full, tmp_path, library):
    write_take(library / "Old barn" / "take.wav", n_strokes=6)
    store_path, rng = tmp_path / "drums.sqlite", random.Random(4)
    with Catalog.open(store_path) as cat:
        assert len(cat.scan([library], n_jobs=1).added) == 41
    out, before = tmp_path / "out", snapshot(library)
    for k in range(N_KILLS_IN_FULL if full else N_KILLS):
        out.mkdir()
        run_and_kill(CUT, store_path, library, out, k, after_s=rng.uniform(0, 0.4))
        check_store(store_path)
        with Catalog.open(store_path) as cat:
            take = next(hit for hit in cat.hits() if hit.path.name == "take.wav")
            strokes = cat.takes.regions(take.id)
            assert len(strokes) in (6, 7)
            pairs = itertools.pairwise(strokes)
            assert all(first.stop <= second.start for first, second in pairs)
        for folder in (path for path in out.iterdir() if not path.name.startswith(".")):
            assert len(list(folder.iterdir())) in (6, 7)
            assert all(decode_file(path).samples.any() for path in folder.iterdir())
        out.rename(tmp_path / f"checked {k}")
    assert snapshot(library) == before
