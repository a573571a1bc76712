"""Time queries over a large library: `python -m tests.bench.queries [--hits 100000]`.

The library is made from synthetic strokes, see `made_library.py`; each hit gets a session, a drum
and a name of its own. A query is timed up to the ids of its hits, which is what all lists, bulk
changes and the page do first.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from catalog import Catalog
from catalog.search.conditions.text import parse_query
from tests.bench.made_library import make_library

N_SESSIONS, N_DRUMS = 120, 900
N_RUNS, N_LISTED = 9, 100
TARGET_MS, WORDS_TARGET_MS = 50, 150
QUERIES = {
    "role:snare": TARGET_MS,
    "role:hat length:..200ms": TARGET_MS,
    'session:"sitting 17"': TARGET_MS,
    "drum:drum417": TARGET_MS,
    "length:0.5..2s brightness:2k.. sort:-length limit:20": TARGET_MS,
    "sort:-scanned limit:20": TARGET_MS,
    "unsure:yes": TARGET_MS,
    "misnamed:yes": TARGET_MS,
    "tag:dry mark:master": TARGET_MS,
    "fault:hum": TARGET_MS,
    "recorded:2020..": TARGET_MS,
    "where:\"length > 1 and role = 'tom'\"": TARGET_MS,
    "name:*0417*": TARGET_MS,
    "brass": WORDS_TARGET_MS,
    "brass hard tom": WORDS_TARGET_MS,
    "braas": WORDS_TARGET_MS,
    "nowhere": WORDS_TARGET_MS,
}
WORDS = ("brass", "wood", "felt", "oak", "steel", "towel", "open")
MICROPHONES = ("close", "OH", "room", "under", "side", "far", "mono", "hall")
FORCES = ("soft", "medium", "hard", "ghost")


def name_hits(cat: Catalog) -> None:
    """Give the hits names, sessions and tags, as in a library of a person."""
    rng = np.random.default_rng(0)
    rows = cat.context.store.database.read("SELECT id FROM hit ORDER BY id")
    with cat.context.store.database.writing() as db:
        for (hit_id,) in rows:
            session, drum = int(rng.integers(N_SESSIONS)), int(rng.integers(N_DRUMS))
            word, force = WORDS[drum % len(WORDS)], FORCES[int(rng.integers(len(FORCES)))]
            folder = f"y{session % 9}/sitting {session}"
            path = f"/recordings/{folder}/{word} {drum} {force} {hit_id}.wav"
            tags = '["dry"]' if hit_id % 50 == 0 else "[]"
            values = (path, folder, f"{word} drum{drum}", tags, hit_id)
            sql = "UPDATE hit SET path = ?, session = ?, drum = ?, tags = ? WHERE id = ?"
            db.execute(sql, values)
            faults = '[["hum", 0.0, 1.0, -50.0, 0.6, -1]]' if hit_id % 5 == 0 else "[]"
            db.execute("INSERT OR REPLACE INTO fault VALUES (?, ?)", (hit_id, faults))


def tie_hits(cat: Catalog, n_microphones: int) -> None:
    """Let each stroke be so many hits, one a microphone; the first stands for it."""
    rows = cat.context.store.database.read("SELECT id FROM hit ORDER BY id")
    with cat.context.store.database.writing() as db:
        for number, (hit_id,) in enumerate(rows):
            at = number % n_microphones
            values = (hit_id, rows[number - at][0], 40.0 * at, 1, -6.0 * at, 1.5)
            db.execute("INSERT INTO microphone VALUES (?, ?, ?, ?, ?, ?)", values)
            db.execute("UPDATE hit SET microphone = ? WHERE id = ?", (MICROPHONES[at], hit_id))


def time_query(cat: Catalog, text: str) -> tuple[float, int]:
    """Return the median time of a query in ms, and the number of hits that it finds.

    It is processor time, which other programs change little; nothing waits for a disk here.
    """
    query, times, n = parse_query(text), [], 0
    for _ in range(N_RUNS):
        start = time.process_time()
        n = len(cat.search.find_ids(query))
        times.append(1e3 * (time.process_time() - start))
    return statistics.median(times), n


def time_list(cat: Catalog) -> tuple[float, int]:
    """Return the same for a page of a list: the hits themselves, with their microphones."""
    ids = cat.search.find_ids(parse_query(f"sort:-length limit:{N_LISTED}"))
    times, n = [], 0
    for k in range(N_RUNS):
        cat.annotations.tag([ids[k]], add=f"t{k}")  # so that the hits are read again
        start = time.process_time()
        n = sum(len(hit.microphones) > 0 for hit in cat.context.hits_in_order(ids))
        times.append(1e3 * (time.process_time() - start))
    return statistics.median(times), n


def main() -> None:
    """Make the library, time every query and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hits", type=int, default=100_000)
    parser.add_argument("--microphones", type=int, default=1, help="of each stroke, up to 8")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        store = make_library(Path(folder), args.hits)
        with Catalog.open(store) as cat:
            name_hits(cat)
            if args.microphones > 1:
                tie_hits(cat, args.microphones)
            print(f"| query over {args.hits:,} hits | found | ms, median of {N_RUNS} | limit |")
            print("|---|---|---|---|")
            for text, limit in QUERIES.items():
                took, n = time_query(cat, text)
                print(f"| `{text}` | {n:,} | {took:.0f} | {limit} |")
            took, n = time_list(cat)
            print(
                f"| {N_LISTED} strokes with their microphones | {n:,} | {took:.0f} | {TARGET_MS} |"
            )


if __name__ == "__main__":
    main()
