"""Damage of a store is found by `check`, and what a scan can make again is made again."""

from __future__ import annotations

import contextlib
import sqlite3
from collections import Counter

import numpy as np

from catalog import Catalog
from catalog.__main__ import main
from catalog.errors import StoreError
from catalog.library.integrity.health import Health, check_store
from catalog.library.store.store import Store

N_FOUND, N_FOUND_FULL = 8, 200  # wrong bits in used bytes; most of a small store is unused


def tamper(path, sql):
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute(sql)


def test_damaged_measurements_are_made_again_by_the_next_scan(scanned, library, capsys):
    scanned.close()
    place = scanned.path
    with Catalog.open(place) as cat:
        before = cat.context.store.hits.embeddings([2])
    tamper(place, "UPDATE numbers SET picture = zeroblob(length(picture)) WHERE hit_id = 2")
    assert main(["check", "--store", str(place)]) == 1
    assert "hit 2: its measured values are damaged" in capsys.readouterr().out
    with Catalog.open(place) as cat:
        cat.scan([library], n_jobs=1)
        assert np.array_equal(cat.context.store.hits.embeddings([2]), before)
    assert main(["check", "--store", str(place)]) == 0


def test_damaged_words_of_a_person_are_reported_and_stay_reported(scanned, capsys):
    scanned.annotations.set_remark([3], "the good one")
    scanned.close()
    tamper(scanned.path, "UPDATE hit SET remark = 'the food one' WHERE id = 3")
    for _ in range(2):
        assert main(["check", "--store", str(scanned.path)]) == 1
        assert "hit 3: its marks, tags, remark" in capsys.readouterr().out


def dump(path):
    """Return all tables of a store, with the definitions."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        tables = {n: sorted(map(repr, db.execute(f"SELECT * FROM {n}"))) for n in names}
        return tables, db.execute("SELECT * FROM sqlite_master").fetchall()


def flip_outcome(path, data, bit):
    """Return "found", "harmless" (all contents are equal) or "silent" for one wrong bit."""
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    path.write_bytes(data)
    before = dump(path)
    wrong = bytearray(data)
    wrong[bit // 8] ^= 1 << bit % 8
    path.write_bytes(wrong)
    try:
        with Store.open(path) as store:
            health: Health = check_store(store.database)
    except StoreError:
        return "found"
    if not health.is_whole:
        return "found"
    return "harmless" if dump(path) == before else "silent"


def test_no_single_wrong_bit_changes_a_store_in_silence(scanned, full):
    scanned.annotations.set_mark([1, 2], "master")
    scanned.kits.save("evening", '{"slots": {}}')
    scanned.layouts.save([1, 2], np.zeros((2, 2)), kind="pca", seed=0)
    scanned.close()
    data = scanned.path.read_bytes()
    n_wanted, rng = N_FOUND_FULL if full else N_FOUND, np.random.default_rng(1)
    outcomes: Counter[str] = Counter()
    while outcomes["found"] < n_wanted and not outcomes["silent"]:
        outcomes[flip_outcome(scanned.path, data, int(rng.integers(8 * len(data))))] += 1
    print(f"store of {len(data):,} bytes: {dict(outcomes)}")
    assert outcomes["silent"] == 0
