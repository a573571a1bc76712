"""Measure the time of scans, queries and commands: `speed.py FOLDER [FOLDER ...] [--small]`.

Each row shows our time, that of a peer or of a lower bound, their ratio and the target. Folders
hold FLAC strokes. Scans are pinned to one core with one thread of linear algebra; the fastest of
several runs counts. Libraries of 10,000 and 100,000 hits are made by varying the measurements of
the real strokes. faiss is timed too where it is installed.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
import psutil

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.model import Audio
from catalog.features.measure import measure_audio
from catalog.features.measures import Measures
from catalog.library.metadata.filename import Provenance
from catalog.library.metadata.roles import combine_role
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.ingest import FoundFile, MeasuredFile
from catalog.library.store.store import Store
from catalog.models import ROLES

ROOT = Path(__file__).parents[2]
N_PEER = 60  # strokes for the slow peer
N_RUNS = 3
N_QUERY_RUNS = 30  # for work of a millisecond
FILES_PER_FOLDER = 200  # in a made library
EMBEDDING_SPREAD = 0.1  # of its deviation, between the hits made from one stroke
BATCH_SIZE = 1000  # hits per insert
PARTS = ("scan", "rescan", "query", "start")


def fastest(work: Callable[[], object], n_runs: int = N_RUNS) -> float:
    """Return the seconds of the fastest run."""
    times = []
    for _ in range(n_runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def print_row(task: str, ours_s: float, peer: str, peer_s: float, target: str) -> None:
    """Print our time, that of the peer, their ratio and the target."""
    print(f"{task:34} {1e3 * ours_s:11.2f} ms  {peer:26} {1e3 * peer_s:10.2f} ms"
          f"  ratio {ours_s / peer_s:6.2f}  target {target}", flush=True)  # fmt: skip


@contextlib.contextmanager
def one_core() -> Iterator[None]:
    """Run on a single core where the system supports it."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(cores)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, cores)


def librosa_descriptors(path: Path) -> None:
    """Decode a file and compute eight descriptors by librosa, as one would without this project."""
    import librosa
    import soundfile

    y, sr = soundfile.read(path, dtype="float32", always_2d=True)
    y = y.mean(axis=1)
    y = np.pad(y, (0, max(0, 2048 - len(y))))
    features = librosa.feature
    features.mfcc(y=y, sr=sr, n_mfcc=20)
    features.spectral_centroid(y=y, sr=sr)
    features.spectral_bandwidth(y=y, sr=sr)
    features.spectral_rolloff(y=y, sr=sr)
    features.spectral_flatness(y=y)
    features.spectral_contrast(y=y, sr=sr, fmin=min(200.0, sr / 256))
    features.zero_crossing_rate(y)
    features.rms(y=y)


def scan_into(folder: Path, roots: list[Path], n_jobs: int) -> int:
    """Scan into a new store and return the number of hits."""
    with (
        tempfile.TemporaryDirectory(dir=folder) as place,
        Store.open(Path(place) / "speed.sqlite") as store,
    ):
        return len(scan_folders(store, roots, n_jobs=n_jobs).added)


def time_scans(folder: Path, roots: list[Path]) -> None:
    """Scan on one core and on two; compare with bare decoding and with librosa."""
    import soundfile

    paths = sorted(path for root in roots for path in root.rglob("*.flac"))
    sample = paths[:: max(1, len(paths) // N_PEER)]
    librosa_descriptors(sample[0])
    with one_core():
        bare = fastest(lambda: [soundfile.read(path, dtype="float32") for path in paths])
        both = fastest(lambda: [measure_audio(decode_file(path)) for path in paths])
        scan = fastest(lambda: scan_into(folder, roots, 1))
        peer = fastest(lambda: [librosa_descriptors(path) for path in sample], 2) / len(sample)
    n = len(paths)
    print(f"{n} strokes")
    print_row("decode and measure, a hit", both / n, "bare decode", bare / n, "-")
    print_row("scan, a hit, one core", scan / n, "bare decode", bare / n, "<= 3")
    print_row("", scan / n, "decode and 8 of librosa", peer, "<= 0.29")
    alone = fastest(lambda: scan_into(folder, roots, 1), 2)
    two = fastest(lambda: scan_into(folder, roots, 2), 2)
    print_row("scan, two cores", two, "scan, one core", alone, "<= 0.56")


def measured_strokes(roots: list[Path], n: int) -> list[tuple[Audio, Measures]]:
    paths = sorted(path for root in roots for path in root.rglob("*.flac"))
    decoded = [decode_file(path) for path in paths[:: max(1, len(paths) // n)]]
    return [(audio, measure_audio(audio)) for audio in decoded]


def vary_file(stroke: tuple[Audio, Measures], index: int, rng: np.random.Generator) -> MeasuredFile:
    """Return the record of a file that does not exist, with varied measurements of a stroke."""
    audio, measures = stroke
    spread = EMBEDDING_SPREAD * measures.embedding.std()
    varied = measures.embedding + rng.normal(0, spread, measures.embedding.shape)
    probabilities = rng.dirichlet(np.full(len(ROLES), 0.1)).astype(np.float32)
    return MeasuredFile(
        file=FoundFile(f"/made/{index // FILES_PER_FOLDER}/{index}.wav", "", 1, index),
        content_hash=f"{index:064x}",
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        container=audio.container,
        subtype=audio.subtype,
        provenance=Provenance(f"Sitting {index % 7}", f"drum {index % 40}"),
        strokes=(replace(measures, embedding=varied.astype(np.float32)),),
        roles=(combine_role(None, probabilities),),
        role_probabilities=probabilities[None],
    )


def make_store(path: Path, strokes: list[tuple[Audio, Measures]], n_hits: int) -> None:
    """Write a store of varied hits, without audio files."""
    rng = np.random.default_rng(0)
    with Store.open(path) as store:
        for start in range(0, n_hits, BATCH_SIZE):
            batch = range(start, min(start + BATCH_SIZE, n_hits))
            rows = [vary_file(strokes[i % len(strokes)], i, rng) for i in batch]
            store.files.write_measured(rows)


def time_rescan(folder: Path, n_files: int) -> None:
    """Scan unchanged files again; compare with walking the tree and a stat of each file."""
    root = folder / "tree"
    t = np.arange(2205) / 44_100
    wave = (np.sin(2 * np.pi * 200 * t) * np.exp(-t / 0.01)).astype(np.float32)[:, None]
    for i in range(n_files):
        place = root / f"{i // FILES_PER_FOLDER}" / f"{i}.wav"
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(encode_wav(wave * (0.3 + 0.7 * i / n_files), sr=44_100))

    def walk() -> int:
        return sum(
            os.stat(os.path.join(where, name)).st_size
            for where, _, names in os.walk(root)
            for name in names
        )

    with Store.open(folder / "rescan.sqlite") as store:
        scan_folders(store, [root], n_jobs=2)
        again = fastest(lambda: scan_folders(store, [root]), 5)
    print_row(f"scan again, {n_files} unchanged", again, "walk and stat", fastest(walk, 5), "<= 2")


def time_queries(place: Path, n_hits: int) -> None:
    """Run one exact query; compare with scikit-learn and faiss; print the memory of a library."""
    from sklearn.neighbors import NearestNeighbors

    from catalog.search.nearest import find_alternates
    from catalog.search.table import read_table

    before = resident_mb()
    with Store.open(place) as store:
        table = read_table(store)
    spaces = table.spaces
    held = {"hits and numbers": resident_mb() - before} | {
        name: getattr(spaces, name).nbytes / 1e6 for name in ("strokes", "acoustic", "roles")
    }
    ours = fastest(lambda: find_alternates(table, 7, n=10), N_QUERY_RUNS)
    points = np.ascontiguousarray(spaces.strokes)
    brute = NearestNeighbors(n_neighbors=10, algorithm="brute").fit(points)
    peer = fastest(lambda: brute.kneighbors(points[7:8]), N_QUERY_RUNS)
    print_row(f"one exact query, {n_hits} hits", ours, "scikit-learn brute", peer, "<= 1.1")
    with contextlib.suppress(ImportError):
        import faiss

        flat = faiss.IndexFlatL2(points.shape[1])
        flat.add(np.ascontiguousarray(points))
        flat_s = fastest(lambda: flat.search(points[7:8], 10), N_QUERY_RUNS)
        print_row("", ours, "faiss flat", flat_s, "<= 1.1")
    parts = ", ".join(f"{name} {size:.0f} MB" for name, size in held.items())
    print(f"memory, {n_hits} hits: {parts}; peak {peak_mb():.0f} MB  target <= 1000 MB")


def resident_mb() -> float:
    """Return the memory of this process in MB."""
    return psutil.Process().memory_info().rss / 1e6


def peak_mb() -> float:
    """Return the peak memory of this process in MB."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def time_commands(place: Path, n_hits: int) -> None:
    """Time the help text and one search, each as a process of its own."""

    def run(*arguments: str) -> float:
        env = os.environ | {"PYTHONPATH": str(ROOT)}
        command = [sys.executable, *arguments]
        return fastest(lambda: subprocess.run(command, env=env, capture_output=True), 5)

    bare = run("-c", "pass")
    text = run("-m", "catalog", "--help")
    print(f"catalog --help: {1e3 * (text - bare):.0f} ms over a bare python  target <= 150 ms")
    found = run("-m", "catalog", "similar", "7", "--store", str(place))
    print(f"catalog similar, {n_hits} hits: {found:.2f} s whole  target <= 1.0 s")


def time_fill(place: Path, n_hits: int) -> None:
    """Time the filling of a kit from a whole library."""
    from catalog import Catalog

    with Catalog.open(place) as cat:
        hits = cat.hits()
        seeds = {role: next(h.id for h in hits if h.role == role) for role in ("kick", "snare")}
        cat.fill_kit(seeds)
        took = fastest(lambda: cat.fill_kit(seeds))
    print(f"fill a kit from {n_hits} hits: {took:.2f} s  target <= 1 s")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--small", action="store_true", help="a tenth of all sizes, as a test run")
    parser.add_argument("--only", choices=PARTS, help="run one part")
    args = parser.parse_args()
    few, many = (1_000, 10_000) if args.small else (10_000, 100_000)
    parts = (args.only,) if args.only else PARTS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if "scan" in parts:
            time_scans(folder, args.folders)
        if "rescan" in parts:
            time_rescan(folder, few)
        if "query" in parts or "start" in parts:
            strokes = measured_strokes(args.folders, 300)
        if "start" in parts:
            make_store(folder / "few.sqlite", strokes, few)
            time_commands(folder / "few.sqlite", few)
            time_fill(folder / "few.sqlite", few)
        if "query" in parts:
            make_store(folder / "many.sqlite", strokes, many)
            time_queries(folder / "many.sqlite", many)
    return 0


if __name__ == "__main__":
    sys.exit(main())
