"""What `python -m tests.bench` measures, each for a number of hits; nothing is downloaded.

Times are processor time, with that of child processes, which other programs change little; only
scans, whose workers go on, are timed by the clock, in turns with the bare decode.
"""

from __future__ import annotations

import importlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from catalog import Catalog
from catalog.library.metadata.roles import combine_role
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import walk_folders
from catalog.library.scan.workers import Task, measure_file, measure_task
from catalog.library.store.store import Store
from catalog.models import ROLES
from tests.bench.made_columns import make_columns
from tests.bench.made_library import make_library
from tests.bench.queries import QUERIES, name_hits, time_query
from tests.bench.speed import fastest, one_core
from tests.bench.table.figures import Figure

ROOT = Path(__file__).parents[3]
RECORDINGS = ROOT / "demo_library"
COMMANDS = {"show 42": 0.35, "hits --limit 20": 0.35, "similar 42": 0.35, "alternates 42": 0.35}
N_RUNS = 5
MANY_HITS = 1_000_000  # a library of so many is made from columns
N_NEW = 200  # hits placed on a kept map
KEPT_KB, PEAK_KB = 1.5, 2.0  # a hit
MEMORY = """
import re, sys
from pathlib import Path
from catalog import Catalog
with Catalog.open(sys.argv[1]) as cat:
    cat.similar(42, 10); cat.alternates(42, 10); cat.hits(limit=20)
    # Linux counts the peak of the parent in `ru_maxrss`, so the peak of this program is read here.
    text = Path("/proc/self/status").read_text()
    for name in ("VmRSS", "VmHWM"):
        print(1024 * int(re.search(name + r":\\s+(\\d+) kB", text)[1]))
"""


def cpu_s() -> float:
    """Return the processor time of this process and of its children that have ended, s."""
    return sum(os.times()[:4])


def least_cpu(work: Callable[[], object]) -> float:
    """Return the least processor time of several runs within this process, s."""
    times = []
    for _ in range(N_RUNS):
        before = time.process_time()  # finer than `os.times`
        work()
        times.append(time.process_time() - before)
    return min(times)


def run(arguments: Sequence[object]) -> tuple[float, str]:
    """Run Python; return its processor time in s, and what it printed."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # a person's modules are compiled
    before = cpu_s()
    done = subprocess.run(
        [sys.executable, *map(str, arguments)], env=environment, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    return cpu_s() - before, done.stdout


@contextmanager
def made_store(n_hits: int) -> Iterator[Path]:
    """Yield a store of synthetic hits with names of their own."""
    with tempfile.TemporaryDirectory() as folder:
        is_large = n_hits >= MANY_HITS
        store = (make_columns if is_large else make_library)(Path(folder), n_hits)
        with Catalog.open(store) as cat:
            if not is_large:
                name_hits(cat)
            cat.similar(42, 10)  # stores the coordinates
        yield store


def measure_commands(n_hits: int) -> Iterator[Figure]:
    """Measure commands that only read, as whole processes."""
    with made_store(n_hits) as store:
        for command, floor in COMMANDS.items():
            call = ["-m", "catalog", "--store", store, *command.split()]
            run(call)
            value = min(run(call)[0] for _ in range(N_RUNS))
            yield Figure("commands", f"`{command}`, {n_hits:,} hits", value, floor, "s")


def measure_memory(n_hits: int) -> Iterator[Figure]:
    """Measure the memory that further hits take, from two libraries."""
    sizes = (n_hits // 10, n_hits)
    found = []
    for size in sizes:
        with made_store(size) as store:
            found.append([int(x) for x in run(["-c", MEMORY, store])[1].split()])
    for name, few, many, floor in zip(("kept", "peak"), *found, (KEPT_KB, PEAK_KB), strict=True):
        value = (many - few) / (sizes[1] - sizes[0]) / 1e3
        yield Figure("memory", f"{name}, of each of {n_hits:,} hits", value, floor, "kB")


def measure_map(n_hits: int) -> Iterator[Figure]:
    """Measure how long hits take that are newer than the map, and to read it again."""
    with made_store(n_hits) as store, Catalog.open(store) as cat:
        layout = cat.map.layout()
        cat.context.store.layouts.save(
            layout.hit_ids[:-N_NEW], layout.xy[:-N_NEW], kind="umap", seed=0
        )
        cat.context.table()
        importlib.import_module("sklearn.neighbors")  # takes half a second, once
        before = cpu_s()
        cat.map.layout()
        value = 1e3 * (cpu_s() - before) / N_NEW
        yield Figure("map", f"a new hit placed among {n_hits:,}", value, 1.0, "ms")
        again = least_cpu(cat.map.layout)
        yield Figure("map", f"read again, {n_hits:,} hits", 1e3 * again, 150.0, "ms")


def measure_marks(n_hits: int) -> Iterator[Figure]:
    """Measure the first search after a mark."""
    with made_store(n_hits) as store, Catalog.open(store) as cat:
        cat.similar(42, 10)
        times = []
        for hit_id in range(1, 1 + N_RUNS):
            cat.annotations.mark([hit_id], "master")
            before = time.process_time()
            cat.similar(42, 10)
            times.append(1e3 * (time.process_time() - before))
        value = statistics.median(times)
        yield Figure("marks", f"`similar` after a mark, {n_hits:,} hits", value, 150.0, "ms")


def measure_queries(n_hits: int) -> Iterator[Figure]:
    """Measure the slowest of the queries of `queries.py` against its own limit."""
    with made_store(n_hits) as store, Catalog.open(store) as cat:
        found = [(time_query(cat, text)[0], limit, text) for text, limit in QUERIES.items()]
    value, limit, text = max(found, key=lambda row: row[0] / row[1])
    yield Figure("queries", f"`{text}`, the slowest, {n_hits:,} hits", value, limit, "ms")


def measure_rescan(n_hits: int) -> Iterator[Figure]:
    """Measure a scan of unchanged files over a walk with a stat of each file."""
    with tempfile.TemporaryDirectory() as folder:
        root, source = Path(folder) / "tree", next(RECORDINGS.rglob("*.flac"))
        data = source.read_bytes()
        for i in range(n_hits):
            place = root / f"{i // 200}" / f"{i}.flac"
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
        with Store.open(Path(folder) / "rescan.sqlite") as store:
            _store_files(store, root)
            scan_folders(store, [root])
            value = least_cpu(lambda: scan_folders(store, [root]))
        walk = least_cpu(lambda: _walk(root))
    yield Figure("rescan", f"{n_hits:,} unchanged files over a walk", value / walk, 2.0)


def _walk(root: Path) -> int:
    return sum(
        os.stat(os.path.join(where, name)).st_size
        for where, _, names in os.walk(root)
        for name in names
    )


def _store_files(store: Store, root: Path) -> None:
    """Store all files as the first one was measured, which takes a fraction of measuring each."""
    files = walk_folders([str(root)], leave_out="").files
    measured = measure_task(Task(files[0]), measure_file).measured
    probabilities = np.full((1, len(ROLES)), 1 / len(ROLES), np.float32)
    roles = (combine_role(None, probabilities[0]),)
    for at in range(0, len(files), 1000):
        store.files.write_measured(
            replace(
                measured,
                file=file,
                content_hash=f"{at + k:064x}",
                roles=roles,
                role_probabilities=probabilities,
            )
            for k, file in enumerate(files[at : at + 1000])
        )


def measure_scan(n_hits: int) -> Iterator[Figure]:
    """Measure a scan over the bare decode of the same files: one core, and two workers.

    The files are FLAC strokes below the folder `RECORDINGS_OF_SCAN`; without it there is no figure,
    since the strokes of the demo library are too short to compare.
    """
    import soundfile

    given = os.environ.get("RECORDINGS_OF_SCAN", "")
    paths = sorted(Path(given).rglob("*.flac")) if given else []
    if not paths:
        return
    paths = paths[:: max(1, len(paths) // n_hits)]
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "tree"
        root.mkdir()
        for i in range(n_hits):
            source = paths[i % len(paths)]
            (root / f"{i} {source.name}").write_bytes(source.read_bytes())
        files = sorted(root.iterdir())

        def scan(n_jobs: int) -> None:
            with (
                tempfile.TemporaryDirectory() as place,
                Store.open(Path(place) / "scan.sqlite") as store,
            ):
                scan_folders(store, [root], n_jobs=n_jobs)

        ratios: dict[int, list[float]] = {1: [], 2: []}
        scan(2)
        for _ in range(N_RUNS):
            with one_core():
                bare = fastest(lambda: [soundfile.read(p, dtype="float32") for p in files], 1)
                ratios[1].append(fastest(lambda: scan(1), 1) / bare)
            ratios[2].append(fastest(lambda: scan(2), 1) / bare)
    for n_jobs, floor in ((1, 3.6), (2, 1.9)):
        name = f"{n_hits:,} files, {n_jobs} worker{'s' * (n_jobs > 1)}, over the bare decode"
        yield Figure("scan", name, statistics.median(ratios[n_jobs]), floor)


Measure = Callable[[int], Iterator[Figure]]
# Name, function, and the numbers of hits: of a quick run, and of `--all`.
BENCHES: dict[str, tuple[Measure, tuple[int, ...], tuple[int, ...]]] = {
    "commands": (measure_commands, (10_000,), (10_000, 100_000, 1_000_000)),
    "memory": (measure_memory, (10_000,), (10_000, 100_000, 1_000_000)),
    "map": (measure_map, (10_000,), (10_000, 60_000)),
    "marks": (measure_marks, (10_000,), (10_000, 100_000)),
    "queries": (measure_queries, (10_000,), (100_000,)),
    "rescan": (measure_rescan, (10_000,), (10_000, 60_000)),
    "scan": (measure_scan, (280,), (280, 1_120)),
}
