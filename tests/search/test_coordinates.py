"""Stored coordinates are those that are computed; they follow what is measured and no damage."""

from __future__ import annotations

import sqlite3
from collections import Counter

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.errors import StoreError
from catalog.library.store.records.coordinates import PART_KEYS, Part
from catalog.library.store.store import Store
from catalog.search import coordinates as m
from catalog.search.spaces import Spaces, make_spaces
from catalog.search.table import read_present_ids, read_table
from tests.signals import as_frames, drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick


@pytest.fixture
def cat(tmp_path, monkeypatch):
    """Return a catalog of five strokes whose ids belong to two blocks."""
    for module in ("search.coordinates", "library.store.records.coordinates"):
        monkeypatch.setattr(f"catalog.{module}.BLOCK_IDS", 4)
    folder = tmp_path / "Attic"
    folder.mkdir()
    for n in range(5):
        write_stroke(folder / f"snare_{n}.wav", hz=150 + 20 * n)
    with Catalog.open(tmp_path / "drums.sqlite") as catalog:
        catalog.scan([folder], n_jobs=1)
        yield catalog


def write_stroke(path, hz: float) -> None:
    path.write_bytes(encode_wav(as_frames(drum_stroke(hz, seed=int(hz), sr=SR)), sr=SR))


def computed(store: Store) -> Spaces:
    ids = store.hits.ids()
    return make_spaces(ids, store.hits.embeddings(ids), store.hits.role_probabilities(ids))


def assert_equal(found: Spaces, expected: Spaces) -> None:
    assert found.hit_ids.tolist() == expected.hit_ids.tolist()
    for name in ("strokes", "acoustic", "roles", "role_median"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), abs=1e-5), name


def forget(cat: Catalog) -> None:
    with sqlite3.connect(cat.store_path) as db:
        db.execute("DELETE FROM coordinates")


def stored_blocks(cat: Catalog) -> list[int]:
    """Return the stored blocks that have all parts."""
    rows = cat.context.store.database.read("SELECT block FROM coordinates")
    blocks = Counter(row[0] % PART_KEYS for row in rows)
    return sorted(block for block, n_parts in blocks.items() if n_parts == len(Part))


def test_stored_coordinates_are_those_that_are_computed(cat):
    store = cat.context.store
    first = m.read_spaces(store, store.hits.ids())
    assert stored_blocks(cat) == [0, 1]
    assert_equal(first, computed(store))
    assert_equal(m.read_spaces(store, store.hits.ids()), computed(store))
    assert m.read_spaces(store, np.array([2, 5])).hit_ids.tolist() == [2, 5]
    assert first.strokes.flags.f_contiguous


@pytest.mark.parametrize(
    "lost", ["block = 1", f"block = {PART_KEYS}", f"block = {2 * PART_KEYS + 1}"]
)
def test_a_block_that_lacks_a_part_is_computed_again(cat, lost):
    store = cat.context.store
    m.read_spaces(store, store.hits.ids())
    with sqlite3.connect(store.path) as db:
        assert db.execute(f"DELETE FROM coordinates WHERE {lost}").rowcount == 1
    assert_equal(m.StoredCoordinates(store, store.hits.ids()).spaces, computed(store))
    assert stored_blocks(cat) == [0, 1]


def test_each_search_reads_its_own_space_only(cat, monkeypatch):
    read, parts = m.read_part, []
    monkeypatch.setattr(
        m, "read_part", lambda s, ids, part: parts.append(part) or read(s, ids, part)
    )
    with Catalog.open(cat.store_path) as fresh:
        assert len(fresh.similar(1)) == 4
        assert parts == [Part.SIMILAR]
    with Catalog.open(cat.store_path) as fresh:
        assert len(fresh.alternates(1)) == 4
        assert parts == [Part.SIMILAR, Part.STROKES]  # the latter by the second catalog


def test_the_strokes_of_a_few_hits_are_those_of_all(cat):
    table, rows = read_table(cat.context.store), [1, 4]
    few = table.coordinates.strokes_of(rows)
    assert few == pytest.approx(table.spaces.strokes[rows], abs=1e-5)
    assert np.array_equal(table.coordinates.strokes_of(rows), table.spaces.strokes[rows])


def test_the_ids_of_a_table_are_those_of_the_present_hits(cat, tmp_path):
    store = cat.context.store
    with store.writing() as db:
        db.execute("UPDATE hit SET hidden = 1 WHERE id = 2")
        db.execute("UPDATE hit SET state = 'missing' WHERE id = 3")
        db.execute("UPDATE hit SET event = 'voice' WHERE id = 4")
    assert read_present_ids(store).tolist() == store.hits.ids().tolist() == [1, 5]
    with store.writing() as db:
        db.execute("UPDATE hit SET event = 'stroke' WHERE id = 4")
        db.execute("INSERT INTO microphone (hit_id, stroke) VALUES (1, 5), (5, 5)")
    for microphones, expected in ((False, [4, 5]), (True, [1, 4, 5])):
        assert store.hits.ids(microphones=microphones).tolist() == expected
        assert read_present_ids(store, microphones=microphones).tolist() == expected


def test_what_is_measured_again_gets_new_coordinates(cat, tmp_path):
    store, ids = cat.context.store, cat.context.store.hits.ids()
    before = m.read_spaces(store, ids)
    write_stroke(cat.hit(5).path, hz=400)
    cat.scan([tmp_path / "Attic"], n_jobs=1)
    after = m.read_spaces(store, ids)
    assert_equal(after, computed(store))
    assert np.abs(after.strokes[4] - before.strokes[4]).max() > 0.1


@pytest.mark.parametrize(
    "damage",
    [
        "points = zeroblob(length(points))",
        "points = zeroblob(length(points)) WHERE block < 2",  # the ids
        "block = block + 2",
        "points = x''",
        "version = 7",
    ],
)
def test_damaged_coordinates_are_computed_again(cat, damage):
    store = cat.context.store
    m.read_spaces(store, store.hits.ids())
    with sqlite3.connect(store.path) as db:
        db.execute(f"UPDATE coordinates SET {damage}")
    assert_equal(m.read_spaces(store, store.hits.ids()), computed(store))


def test_an_unknown_hit_is_an_error(cat):
    for unknown in (4, 9):
        forget(cat)
        with sqlite3.connect(cat.store_path) as db:
            db.execute("DELETE FROM numbers WHERE hit_id = ?", (unknown,))
        with pytest.raises(StoreError, match=f"hit {unknown} is not in this store"):
            m.read_spaces(cat.context.store, np.array([1, unknown]))


def test_coordinates_made_while_the_store_changed_are_not_stored(cat, monkeypatch):
    store, make = cat.context.store, m.make_spaces
    forget(cat)

    def change_meanwhile(*arrays):
        with store.writing():  # as another process does that measures a hit
            pass
        return make(*arrays)

    monkeypatch.setattr(m, "make_spaces", change_meanwhile)
    assert_equal(m.read_spaces(store, store.hits.ids()), computed(store))
    assert stored_blocks(cat) == []


def test_a_search_reads_only_the_hits_that_it_lists(cat):
    table = read_table(cat.context.store)
    read = []
    original = cat.context.store.hits.read_ids
    cat.context.store.hits.read_ids = lambda ids: read.extend(ids) or original(ids)
    assert len(table.hits) == 5
    assert table.hits[2].id == 3
    assert read == [3]
    assert [hit.id for hit in table.hits] == [1, 2, 3, 4, 5]
    assert read == [3]  # all at once, by another call


def test_a_table_keeps_its_rows_when_the_library_changes(cat, tmp_path):
    table = read_table(cat.context.store)
    write_stroke(tmp_path / "Attic" / "snare_9.wav", hz=500)
    cat.scan([tmp_path / "Attic"], n_jobs=1)
    assert [hit.id for hit in table.hits] == [1, 2, 3, 4, 5]
    assert len(read_table(cat.context.store, table).hits) == 6


def test_the_coordinates_are_read_again_only_after_a_measurement(cat, tmp_path):
    store = cat.context.store
    read_table(store)  # stores what is missing
    first = read_table(store)
    cat.set_role(2, "tom")
    second = read_table(store, first)
    assert second is not first
    assert second.spaces is first.spaces
    write_stroke(cat.hit(5).path, hz=600)
    cat.scan([tmp_path / "Attic"], n_jobs=1)
    third = read_table(store, second)
    assert_equal(third.spaces, computed(store))
    assert np.abs(third.spaces.strokes[4] - first.spaces.strokes[4]).max() > 0.1


def test_coordinates_that_cannot_be_stored_are_never_used_again(cat, monkeypatch):
    store = cat.context.store
    forget(cat)
    monkeypatch.setattr(store.coordinates, "save", lambda *_, **__: None)  # read-only
    first = read_table(store)
    with store.writing():
        pass
    assert read_table(store, first).spaces is not first.spaces
