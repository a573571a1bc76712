"""Extrapolate what ten million hits would take: `python -m tests.bench.ten_million`.

Each part is measured in two made libraries, and a line through both figures gives the third. Parts
that make a `Hit` of each row are measured at 10,000 and 100,000 hits, the others at 100,000 and
1,000,000. Times are processor time of one core. The cost of a pair and of a scanned hit come from
the benches that need recordings, see `RESULTS.md`.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported

import numpy as np

from catalog import Catalog
from catalog.matching.candidates import find_candidate_pairs
from catalog.web.columns import make_columns as make_page_columns
from catalog.web.payloads import pack_points
from tests.bench.made_columns import N_COPIED, make_columns
from tests.bench.table.measures import MEMORY, run

TARGET = 10_000_000
SMALL, LARGE = (N_COPIED, 100_000), (100_000, 1_000_000)
PAIRS_PER_HIT, PAIR_MS = 3.4, 1.0  # "Duplicates: time"; with decoding, beside another worker
SCAN_MS = 8.3  # a hit, "Speed"
N_DIMS, N_STROKES, STROKE_SPREAD = 32, 15, 0.3  # of the points for the search for candidates


class Part(NamedTuple):
    """What is measured, in what unit, at which sizes."""

    name: str
    unit: str
    sizes: tuple[int, int]
    measure: Callable[[Path, int], float]


def cpu(work: Callable[[], object]) -> float:
    """Return the least processor time of three runs, s."""
    times = []
    for _ in range(3):
        before = time.process_time()
        work()
        times.append(time.process_time() - before)
    return min(times)


def page_start(store: Path, n: int) -> float:
    """Return the time to read all hits and make them into columns, s."""
    before = time.process_time()
    with Catalog.open(store) as cat:
        make_page_columns(cat.hits())
    return time.process_time() - before


def page_points(store: Path, n: int) -> float:
    """Return the size of the points that are sent to the page, MB."""
    with Catalog.open(store) as cat:
        columns = make_page_columns(cat.hits())
    xy = np.zeros((len(columns.ids), 2), np.float32)
    return len(pack_points(columns, columns.ids, xy).body) / 1e6


def memory_of_hits(store: Path, n: int) -> float:
    """Return the memory of a process that has made all hits, GB."""
    code = MEMORY.replace(
        "cat.similar(42, 10); cat.alternates(42, 10); cat.hits(limit=20)", "h = cat.hits()"
    )
    return int(run(["-c", code, store])[1].split()[1]) / 1e9


def memory_of_searches(store: Path, n: int) -> float:
    """Return the memory at the peak of a process that has searched, GB."""
    return int(run(["-c", MEMORY, store])[1].split()[1]) / 1e9


def command(text: str) -> Callable[[Path, int], float]:
    """Return what measures a command as a whole process, s."""

    def measure(store: Path, n: int) -> float:
        call = ["-m", "catalog", "--store", store, *text.split()]
        return min(run(call)[0] for _ in range(4))

    return measure


def search(store: Path, n: int) -> float:
    """Return the time of a search in a process that is open, s."""
    with Catalog.open(store) as cat:
        cat.similar(42, 10)
        return cpu(lambda: cat.similar(43, 10))


def store_size(store: Path, n: int) -> float:
    """Return the size of the store, GB."""
    return store.stat().st_size / 1e9


def candidates(store: Path, n: int) -> float:
    """Return the time to find candidate pairs among points of drums with several strokes, s."""
    rng = np.random.default_rng(0)
    drums = rng.normal(size=(n // N_STROKES, N_DIMS))
    points = np.repeat(drums, N_STROKES, axis=0)
    points += STROKE_SPREAD / N_DIMS**0.5 * rng.normal(size=points.shape)
    before = time.process_time()
    find_candidate_pairs(points.astype(np.float32))
    return time.process_time() - before


PARTS = (
    Part("page: hits read and made into columns", "s", SMALL, page_start),
    Part("page: points sent", "MB", SMALL, page_points),
    Part("memory with a `Hit` of each row (copies, kits, page)", "GB", SMALL, memory_of_hits),
    Part("memory at the peak of searches", "GB", LARGE, memory_of_searches),
    Part("`hits --limit 20`", "s", LARGE, command("hits --limit 20")),
    Part("`show 42`", "s", LARGE, command("show 42")),
    Part("`similar 42`", "s", LARGE, command("similar 42")),
    Part("`alternates 42`", "s", LARGE, command("alternates 42")),
    Part("`similar` in an open process", "s", LARGE, search),
    Part("store", "GB", LARGE, store_size),
    Part("candidate pairs of copies found", "s", SMALL, candidates),
)


def stores(folder: Path) -> dict[int, Path]:
    """Return a made store of each size; those that the folder holds are used again."""
    found = {}
    for n in sorted({*SMALL, *LARGE}):
        place = folder / f"lib{n}"
        found[n] = place / "bench.sqlite"
        if not found[n].exists():
            place.mkdir(parents=True)
            make_columns(place, n)
    return found


def rows(folder: Path) -> Iterator[str]:
    """Yield the rows of the table."""
    made = stores(folder)
    yield "| part | at two sizes | at 10,000,000 |"
    yield "|---|---|---|"
    for part in PARTS:
        (few, many), unit = part.sizes, part.unit
        low, high = (part.measure(made[n], n) for n in part.sizes)
        found = high + max(0.0, high - low) / (many - few) * (TARGET - many)
        yield (
            f"| {part.name} | {low:.3g} and {high:.3g} {unit} ({few:,} and {many:,}) |"
            f" {found:.2g} {unit} |"
        )
    hours = TARGET * PAIRS_PER_HIT * PAIR_MS / 3.6e6
    yield (
        f"| pairs of copies compared | {PAIRS_PER_HIT} a hit, {PAIR_MS} ms each |"
        f" {hours:.1f} h of one core |"
    )
    yield f"| scan | {SCAN_MS} ms a hit | {TARGET * SCAN_MS / 3.6e6:.0f} h of one core |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the libraries, 8 GB")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        for row in rows(args.keep or Path(scratch)):
            print(row, flush=True)


if __name__ == "__main__":
    main()
