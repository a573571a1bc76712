"""How long the work takes, beside a peer and beside what it cannot be faster than.

Run: python tests/bench/speed.py FOLDER [FOLDER ...] [--small]    (folders of FLAC strokes)

Each row gives a ratio and what is to be reached. Scans run pinned to one core with one thread of
linear algebra each, so that a core is a core; the fastest of several turns counts. Libraries of
10,000 and 100,000 hits are made from the numbers of the real strokes, slightly moved. faiss is
timed too where it is installed. `--small` takes a tenth of everything, to see that it runs.
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
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.audio.model import Audio
from catalog.features.measure import Measures, measure_audio
from catalog.library.metadata.filename import Provenance
from catalog.library.metadata.roles import combine_role
from catalog.library.scan.scanner import scan_folders
from catalog.library.store.records import FoundFile, MeasuredFile
from catalog.library.store.store import Store
from catalog.models import ROLES

ROOT = Path(__file__).parents[2]
N_PEER = 60  # strokes that the slow peer hears
TURNS = 3
QUERIES = 30  # turns of what takes a millisecond
FOLDERS_OF = 200  # files a folder in the made library


def fastest(work: Callable[[], object], turns: int = TURNS) -> float:
    """Seconds of the fastest turn."""
    times = []
    for _ in range(turns):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def say(what: str, ours: float, peer: str, other: float, reach: str) -> None:
    """One row: ours, the peer, their ratio and what is to be reached."""
    print(f"{what:34} {1e3 * ours:11.2f} ms  {peer:26} {1e3 * other:10.2f} ms"
          f"  ratio {ours / other:6.2f}  reach {reach}", flush=True)  # fmt: skip


@contextlib.contextmanager
def one_core() -> Iterator[None]:
    """Run on a single core where the system lets us say so."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(cores)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, cores)


def eight_by_librosa(path: Path) -> None:
    """What one writes without this project: eight descriptors one by one."""
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
    """Scan into a new store and give how many hits there are."""
    with tempfile.TemporaryDirectory(dir=folder) as place:
        store = Store.open(Path(place) / "speed.sqlite")
        with store:
            return len(scan_folders(store, roots, n_jobs=n_jobs).added)


def time_scans(folder: Path, roots: list[Path]) -> None:
    """Scan on one core and on two, beside bare decoding and beside librosa."""
    import soundfile

    paths = sorted(path for root in roots for path in root.rglob("*.flac"))
    some = paths[:: max(1, len(paths) // N_PEER)]
    eight_by_librosa(some[0])
    with one_core():
        bare = fastest(lambda: [soundfile.read(path, dtype="float32") for path in paths])
        both = fastest(lambda: [measure_audio(decode_file(path)) for path in paths])
        scan = fastest(lambda: scan_into(folder, roots, 1))
        peer = fastest(lambda: [eight_by_librosa(path) for path in some], 2) / len(some)
    n = len(paths)
    print(f"{n} strokes")
    say("decode and measure, a hit", both / n, "bare decode", bare / n, "-")
    say("scan, a hit, one core", scan / n, "bare decode", bare / n, "<= 3")
    say("", scan / n, "decode and eight of librosa", peer, "<= 0.29")
    alone = fastest(lambda: scan_into(folder, roots, 1), 2)
    two = fastest(lambda: scan_into(folder, roots, 2), 2)
    say("scan, two cores", two, "scan, one core", alone, "<= 0.56")


def measured_strokes(roots: list[Path], n: int) -> list[tuple[Audio, Measures]]:
    paths = sorted(path for root in roots for path in root.rglob("*.flac"))
    some = [decode_file(path) for path in paths[:: max(1, len(paths) // n)]]
    return [(audio, measure_audio(audio)) for audio in some]


def make_store(place: Path, strokes: list[tuple[Audio, Measures]], n_hits: int) -> None:
    """A store of hits with the numbers of real strokes, slightly moved; no files."""
    rng = np.random.default_rng(0)
    width = strokes[0][1].embedding.std()
    with Store.open(place) as store:
        for at in range(0, n_hits, 1000):
            rows = []
            for i in range(at, min(at + 1000, n_hits)):
                audio, m = strokes[i % len(strokes)]
                moved = m.embedding + rng.normal(0, 0.1 * width, m.embedding.shape)
                chance = rng.dirichlet(np.full(len(ROLES), 0.1)).astype(np.float32)
                rows.append(MeasuredFile(
                    FoundFile(f"/made/{i // FOLDERS_OF}/{i}.wav", "", 1, i), f"{i:064x}", audio.sr,
                    audio.samples.shape[1], audio.container, audio.subtype,
                    Provenance(f"Sitting {i % 7}", f"drum {i % 40}"),
                    (replace(m, embedding=moved.astype(np.float32)),),
                    (combine_role(None, chance),), chance[None],
                ))  # fmt: skip
            store.files.write_measured(rows)


def time_rescan(folder: Path, n_files: int) -> None:
    """Scan unchanged files again, beside walking the tree and asking for each file's size."""
    root = folder / "tree"
    t = np.arange(2205) / 44_100
    wave = (np.sin(2 * np.pi * 200 * t) * np.exp(-t / 0.01)).astype(np.float32)[:, None]
    for i in range(n_files):
        place = root / f"{i // FOLDERS_OF}" / f"{i}.wav"
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
    say(f"scan again, {n_files} unchanged", again, "walk and stat", fastest(walk, 5), "<= 2")


def time_queries(place: Path, n_hits: int) -> None:
    """One exact query beside scikit-learn and faiss, and the memory that a library takes."""
    from sklearn.neighbors import NearestNeighbors

    from catalog.search.query import find_alternates
    from catalog.search.table import read_table

    before = resident_mb()
    with Store.open(place) as store:
        table = read_table(store)
    spaces = table.spaces
    held = {"hits and numbers": resident_mb() - before} | {
        name: getattr(spaces, name).nbytes / 1e6 for name in ("strokes", "alike", "roles")
    }
    ours = fastest(lambda: find_alternates(table, 7, n=10), QUERIES)
    points = np.ascontiguousarray(spaces.strokes)
    brute = NearestNeighbors(n_neighbors=10, algorithm="brute").fit(points)
    peer = fastest(lambda: brute.kneighbors(points[7:8]), QUERIES)
    say(f"one exact query, {n_hits} hits", ours, "scikit-learn brute", peer, "<= 1.1")
    with contextlib.suppress(ImportError):
        import faiss

        flat = faiss.IndexFlatL2(points.shape[1])
        flat.add(np.ascontiguousarray(points))
        say(
            "", ours, "faiss flat", fastest(lambda: flat.search(points[7:8], 10), QUERIES), "<= 1.1"
        )
    parts = ", ".join(f"{name} {size:.0f} MB" for name, size in held.items())
    print(f"memory, {n_hits} hits: {parts}; peak {peak_mb():.0f} MB  reach <= 1000 MB")


def resident_mb() -> float:
    """Memory of this process now, MB; NaN where the system does not tell."""
    with contextlib.suppress(OSError):
        return (
            int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
        )
    return float("nan")


def peak_mb() -> float:
    """Highest memory of this process so far, MB."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def time_commands(place: Path, n_hits: int) -> None:
    """Start of the program and one search, each a whole process."""

    def run(*arguments: str) -> float:
        env = os.environ | {"PYTHONPATH": str(ROOT)}
        command = [sys.executable, *arguments]
        return fastest(lambda: subprocess.run(command, env=env, capture_output=True), 5)

    bare = run("-c", "pass")
    text = run("-m", "catalog", "--help")
    print(f"catalog --help: {1e3 * (text - bare):.0f} ms over a bare python  reach <= 150 ms")
    found = run("-m", "catalog", "similar", "7", "--store", str(place))
    print(f"catalog similar, {n_hits} hits: {found:.2f} s whole  reach <= 1.0 s")


def time_fill(place: Path, n_hits: int) -> None:
    """Fill a kit from a whole library."""
    from catalog import Catalog

    with Catalog.open(place) as cat:
        seeds = {
            role: next(h.id for h in cat.hits() if h.role == role) for role in ("kick", "snare")
        }
        cat.fill_kit(seeds)
        took = fastest(lambda: cat.fill_kit(seeds))
    print(f"fill a kit from {n_hits} hits: {took:.2f} s  reach <= 1 s")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--small", action="store_true", help="a tenth of everything")
    parser.add_argument("--only", choices=("scan", "rescan", "query", "start"), help="one part")
    args = parser.parse_args()
    few, many = (1_000, 10_000) if args.small else (10_000, 100_000)
    wanted = lambda part: args.only in (None, part)  # noqa: E731
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if wanted("scan"):
            time_scans(folder, args.folders)
        if wanted("rescan"):
            time_rescan(folder, few)
        if wanted("query") or wanted("start"):
            strokes = measured_strokes(args.folders, 300)
        if wanted("start"):
            make_store(folder / "few.sqlite", strokes, few)
            time_commands(folder / "few.sqlite", few)
            time_fill(folder / "few.sqlite", few)
        if wanted("query"):
            make_store(folder / "many.sqlite", strokes, many)
            time_queries(folder / "many.sqlite", many)
    return 0


if __name__ == "__main__":
    sys.exit(main())
