"""Rows that changed without the program are found by their checksums."""

from __future__ import annotations

import contextlib
import sqlite3

import pytest

from catalog.library.integrity.checksums import (
    checked_parts,
    checksum_of,
    find_damaged,
    schema_is_whole,
)
from catalog.library.store.store import Store


def damaged(store):
    """Return (part, row) of all damaged rows."""
    connection = store.database._connection
    return [tuple(row) for row in find_damaged(connection, checked_parts(connection))]


def tamper(store, sql):
    """Change a store behind the back of the program, as a fault of the disk does."""
    with contextlib.closing(sqlite3.connect(store.path)) as db, db:
        db.execute(sql)


@pytest.fixture
def annotated(scanned):
    """Return the store of six hits with something of every kind in it."""
    scanned.annotations.set_mark([1, 2], "master")
    scanned.annotations.change_tags([1], add=["bright"])
    scanned.hits.set_role(3, "clap")
    scanned.kits.save("evening", '{"slots": {}}')
    scanned.pair_answers.save(scanned.hits.get(1), scanned.hits.get(2), True)
    scanned.database.save_setting("a", 1)
    return scanned


def test_all_rows_written_by_the_program_have_right_checksums(annotated):
    assert damaged(annotated) == []
    annotated.pair_answers.save(annotated.hits.get(1), annotated.hits.get(2), False)  # replaces it
    annotated.pair_answers.save(annotated.hits.get(3), annotated.hits.get(2), True)
    annotated.pair_answers.save(annotated.hits.get(3), annotated.hits.get(2), None)
    annotated.annotations.set_mark([1, 2], "")
    annotated.kits.save("b", "{}")
    annotated.kits.rename("evening", "morning")
    annotated.kits.delete("b")
    annotated.files.change_state([(4, str(annotated.hits.get(4).path))], "missing", before="here")
    assert damaged(annotated) == []
    assert schema_is_whole(annotated.database._connection)


@pytest.mark.parametrize(
    ("sql", "part", "row"),
    [
        ("UPDATE hit SET mark = 'keep' WHERE id = 1", "words", 1),
        ("UPDATE hit SET hidden = 1 WHERE id = 5", "words", 5),
        ("UPDATE hit SET mark = '' WHERE id = 2", "words", 2),
        ("UPDATE hit SET descriptors = '{}' WHERE id = 4", "hit", 4),
        ("UPDATE hit SET state = CAST(state AS BLOB) WHERE id = 4", "hit", 4),
        ("UPDATE numbers SET picture = zeroblob(length(picture)) WHERE hit_id = 6", "numbers", 6),
        ("UPDATE fault SET found = '[1]' WHERE hit_id = 2", "fault", 2),
        ("UPDATE kit SET payload = '{}' WHERE id = 1", "kit", 1),
        ("DELETE FROM kit", "kit", 1),
        ("UPDATE kit SET name = CAST(x'ff' AS TEXT)", "kit", 1),
        ("UPDATE event SET reason = 'x' WHERE id = 1", "event", 1),
        ("UPDATE revision SET value = value + 1", "revision", 1),
    ],
)
def test_a_row_that_changed_without_the_program_is_found(annotated, sql, part, row):
    tamper(annotated, sql)
    assert (part, row) in damaged(annotated)
    assert {found for found, _ in damaged(annotated)} == {part}


def test_rows_without_a_number_are_found(annotated):
    tamper(annotated, "UPDATE verdict SET same = 0")
    tamper(annotated, "DELETE FROM setting WHERE key = 'a'")
    assert [part for part, _ in damaged(annotated)] == ["setting", "verdict"]


def test_a_changed_definition_is_found(annotated):
    tamper(annotated, "DROP INDEX hit_hash")
    assert not schema_is_whole(annotated.database._connection)


def test_an_older_store_gets_checksums_when_it_is_opened(scanned):
    scanned.close()  # then what versions 5 to 8 added is removed
    added = ("row_checksum", "exported", "left_out", "home_volume", "outline", "microphone")
    for table in (*added, "origin", "act", "act_change", "coordinates", "learned"):
        tamper(scanned, f"DROP TABLE {table}")
    for index in ("hit_annotated", "hit_noise", "hit_state", "hit_here"):
        tamper(scanned, f"DROP INDEX {index}")
    for column in ("names", "channels", "scanned_utc", "event", "tempo_bpm", "n_strokes"):
        tamper(scanned, f"ALTER TABLE hit DROP COLUMN {column}")
    tamper(scanned, "ALTER TABLE journal DROP COLUMN recorded")
    tamper(scanned, "ALTER TABLE kit DROP COLUMN kit_id")
    tamper(scanned, "CREATE UNIQUE INDEX hit_here ON hit (path, region) WHERE state = 'here'")
    tamper(scanned, "PRAGMA user_version = 4")
    with Store.open(scanned.path) as store:
        assert damaged(store) == []
        tamper(store, "UPDATE hit SET mark = 'keep' WHERE id = 1")
        assert damaged(store) == [("words", 1)]


def test_each_single_wrong_bit_changes_a_checksum():
    """CRC-32 detects all single-bit errors (ITU-T V.42 section 8.1.1.6.2)."""
    value = bytes(range(40))
    sums = {checksum_of(1, value)}
    for bit in range(8 * len(value)):
        wrong = bytearray(value)
        wrong[bit // 8] ^= 1 << bit % 8
        sums.add(checksum_of(1, bytes(wrong)))
    assert len(sums) == 1 + 8 * len(value)
