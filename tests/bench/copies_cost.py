"""How the cost of looking for copies grows: `copies_cost.py FOLDER [N ...]`.

Hits are variations of those in FOLDER: the picture of one, moved a share of the way between two
others, and at the end one in twenty is a copy, its picture moved as little as edits move it. The
samples judged are those of the hit that it was made from, so that each pair costs what it costs.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from catalog import Catalog
from catalog.library.decided import Decisions
from catalog.search.duplicates import group_copies
from catalog.search.same.candidates import copy_points, near_pairs
from catalog.search.same.crowd import judge_many
from catalog.sound.decode import decode_file
from catalog.sound.recording import prepare_recording

SIZES = (5_000, 20_000, 100_000)
VARIED = 0.3  # of the way between two other hits
COPY_SHARE, COPY_MOVED = 0.05, 0.4  # one in twenty; the reach of the space is 1
ROWS_AT_ONCE = 4096


def make_points(pictures: np.ndarray, n: int, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Points of variations, and the row of the hit that each was made from."""
    n_copies = round(COPY_SHARE * n)
    owner = rng.integers(len(pictures), size=n - n_copies)
    parts = []
    for at in range(0, len(owner), ROWS_AT_ONCE):
        mine = owner[at : at + ROWS_AT_ONCE]
        one, two = rng.integers(len(pictures), size=(2, len(mine)))
        parts.append(copy_points(pictures[mine] + VARIED * (pictures[one] - pictures[two])))
    points = np.concatenate(parts)
    of = rng.choice(len(points), n_copies, replace=False)
    moved = rng.normal(size=(n_copies, points.shape[1]))
    moved *= COPY_MOVED / np.linalg.norm(moved, axis=1, keepdims=True)
    copies = (points[of] + moved).astype(np.float32)
    return np.concatenate([points, copies]), np.concatenate([owner, owner[of]])


def main() -> int:
    folder, sizes = Path(sys.argv[1]), [int(n) for n in sys.argv[2:]] or SIZES
    rng, before = np.random.default_rng(0), None
    with tempfile.TemporaryDirectory() as scratch, Catalog.open(Path(scratch) / "x.sqlite") as cat:
        cat.scan([folder])
        hits = cat.hits()
        pictures = cat._store.pictures([hit.id for hit in hits])
    for n in sizes:
        points, owner = make_points(pictures, n, rng)
        varied = [
            replace(hits[row], id=i, content_hash=f"{i:08x}".ljust(64, "0"))
            for i, row in enumerate(owner)
        ]
        begin = time.perf_counter()
        n_pairs = len(near_pairs(points))
        searched = time.perf_counter() - begin
        decisions = Decisions()
        groups = group_copies(
            varied,
            points,
            lambda hit: prepare_recording(decode_file(hit.path)),
            decisions=decisions,
            judge_many=partial(judge_many, mix_of=lambda hit: ""),
        )
        whole = time.perf_counter() - begin - searched
        begin = time.perf_counter()
        group_copies(varied, points, lambda hit: None, decisions=decisions)
        again = time.perf_counter() - begin
        growth = math.log(whole / before[1]) / math.log(n / before[0]) if before else math.nan
        print(
            f"{n:7} hits: candidates {searched:.1f} s, {n_pairs} pairs, all {whole:.1f} s,"
            f" again {again:.1f} s, {len(groups)} groups; grows with n^{growth:.2f}",
            flush=True,
        )
        before = n, whole
    return 0


if __name__ == "__main__":
    sys.exit(main())
