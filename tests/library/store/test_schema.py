"""Stores of earlier versions are migrated when they are opened, without loss."""

from __future__ import annotations

import json
import re
import sqlite3
from dataclasses import replace

import pytest

from catalog.errors import StoreError
from catalog.library.scan.scanner import scan_folders
from catalog.library.store import schema
from catalog.library.store.schema import APPLICATION_ID
from catalog.library.store.store import Store
from catalog.library.undo.undo import undo_acts
from catalog.models import Role, RoleSource

VERSION_1 = """
CREATE TABLE hit (
    id INTEGER PRIMARY KEY AUTOINCREMENT, path NOT NULL, aside TEXT, state TEXT NOT NULL,
    size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, version INTEGER NOT NULL,
    content_hash TEXT NOT NULL,
    start INTEGER NOT NULL, stop INTEGER NOT NULL, sr INTEGER NOT NULL,
    n_channels INTEGER NOT NULL, container TEXT NOT NULL, subtype TEXT NOT NULL,
    session TEXT NOT NULL, drum TEXT NOT NULL, microphone TEXT NOT NULL, take TEXT NOT NULL,
    note TEXT NOT NULL, role TEXT NOT NULL, role_confidence REAL NOT NULL,
    role_source TEXT NOT NULL, descriptors TEXT NOT NULL);
CREATE UNIQUE INDEX hit_here ON hit (path) WHERE state = 'here';
CREATE INDEX hit_hash ON hit (content_hash);
CREATE TABLE numbers (
    hit_id INTEGER PRIMARY KEY REFERENCES hit (id), picture BLOB NOT NULL,
    production BLOB NOT NULL, role_probabilities BLOB NOT NULL);
CREATE TABLE skipped (
    path PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    version INTEGER NOT NULL, reason TEXT NOT NULL);
CREATE TABLE event (
    id INTEGER PRIMARY KEY AUTOINCREMENT, time_utc TEXT NOT NULL, action TEXT NOT NULL,
    hit_id INTEGER NOT NULL, source NOT NULL, target NOT NULL, reason TEXT NOT NULL);
CREATE TABLE journal (
    id INTEGER PRIMARY KEY AUTOINCREMENT, action TEXT NOT NULL, hit_id INTEGER NOT NULL,
    home NOT NULL, aside TEXT NOT NULL, content_hash TEXT NOT NULL, reason TEXT NOT NULL);
CREATE TABLE layout (
    id INTEGER PRIMARY KEY CHECK (id = 1), hit_ids BLOB NOT NULL, xy BLOB NOT NULL,
    kind TEXT NOT NULL, seed INTEGER NOT NULL, time_utc TEXT NOT NULL);
CREATE TABLE copies (
    id INTEGER PRIMARY KEY CHECK (id = 1), payload TEXT NOT NULL, revision INTEGER NOT NULL);
CREATE TABLE kit (
    id INTEGER PRIMARY KEY AUTOINCREMENT, name TEXT NOT NULL, payload TEXT NOT NULL,
    time_utc TEXT NOT NULL);
CREATE TABLE setting (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE revision (id INTEGER PRIMARY KEY CHECK (id = 1), value INTEGER NOT NULL);
INSERT INTO revision VALUES (1, 0);
"""


OLD_MARKS = {"star": "master", "keep": "spare", "reject": "no-good"}
STEP = "CREATE TABLE extra (a); CREATE INDEX ea ON extra (a)"  # a migration for the tests


def read_schema(place):
    """Return tables with their columns in any order, and indexes with their statements."""
    with sqlite3.connect(place) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        tables = {
            name: {row[1:] for row in db.execute(f"PRAGMA table_xinfo({name})")} for name in names
        }
        tables.pop("sqlite_sequence", None)
        indexes = db.execute("SELECT sql FROM sqlite_master WHERE type='index' AND sql NOT NULL")
        index_sql = {re.sub(r"\s+", " ", row[0]) for row in indexes}
    db.close()
    return tables, index_sql


@pytest.fixture
def version_1(tmp_path, library):
    """Return a store of version 1 with the six hits of the library, one with a role by the user."""
    fresh = tmp_path / "fresh.sqlite"
    with Store.open(fresh) as store:
        scan_folders(store, [library], n_jobs=1)
    place = tmp_path / "old.sqlite"
    with sqlite3.connect(place) as db:
        db.executescript(VERSION_1)
        db.execute("ATTACH ? AS fresh", (str(fresh),))
        for table in ("hit", "numbers", "event"):
            columns = [row[1] for row in db.execute(f"PRAGMA main.table_info({table})")]
            listed = ", ".join(columns)
            db.execute(f"INSERT INTO main.{table} ({listed}) SELECT {listed} FROM fresh.{table}")
        db.execute("UPDATE hit SET role = 'cowbell', role_source = 'user' WHERE id = 1")
        db.execute("INSERT INTO kit (name, payload, time_utc) VALUES ('evening', '{}', 'then')")
        db.execute("PRAGMA user_version = 1")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.close()
    return place


def test_a_migrated_store_has_the_tables_of_a_new_one(version_1, tmp_path):
    Store.open(version_1).close()
    Store.open(tmp_path / "new.sqlite").close()
    assert read_schema(version_1) == read_schema(tmp_path / "new.sqlite")


def test_a_store_of_version_1_keeps_its_annotations_and_is_measured_again(version_1, library):
    with Store.open(version_1.with_name("fresh.sqlite")) as fresh:
        unknown = {"session_source": "", "scanned_utc": ""}  # neither was stored
        hits = [replace(hit, **unknown) for hit in fresh.hits.read()]
        hits[0] = replace(hits[0], role=Role.COWBELL, role_source=RoleSource.USER)
    with Store.open(version_1) as store:
        assert repr(store.hits.read()) == repr(hits)
        store.annotations.set_mark([2], "master")
        assert store.hits.get(2).mark == "master"
        assert store.database.read("PRAGMA user_version") == [(schema.SCHEMA_VERSION,)]
        report = scan_folders(store, [library], n_jobs=1)
        assert len(report.unchanged) == 6
        assert report.added == report.missing == report.skipped == ()
        assert (store.hits.get(1).role, store.hits.get(1).role_source) == ("cowbell", "user")
        assert [kit[0] for kit in store.kits.read()] == ["evening"]
    with sqlite3.connect(version_1.with_name("old.sqlite.before-1")) as backup:
        assert backup.execute("PRAGMA user_version").fetchone() == (1,)
        assert backup.execute("SELECT count(*) FROM hit").fetchone() == (6,)
    backup.close()


@pytest.fixture
def version_5(version_1):
    """Return a store of version 5 with marks, a kit saved twice, and steps of the history."""
    with sqlite3.connect(version_1) as db:
        for version in range(1, 5):
            for statement in schema.MIGRATIONS[version].split(";"):
                db.execute(statement)
        for hit_id, mark in enumerate(OLD_MARKS, start=1):
            db.execute("UPDATE hit SET mark = ? WHERE id = ?", (mark, hit_id))
        given = {"7": [1, {"mark": ""}, {"mark": "reject", "remark": "keep"}]}
        db.execute("INSERT INTO setting VALUES ('handed_over', ?)", (json.dumps(given),))
        db.execute("INSERT INTO kit (name, payload, time_utc) VALUES ('evening', '{}', 'now')")
        for action, hit_id, step in (("hide", 5, 0), ("role", 4, 7), ("hide", 4, 8)):
            db.execute(
                "INSERT INTO event (time_utc, action, hit_id, source, target, reason, step)"
                " VALUES ('then', ?, ?, '/a', '/a', '', ?)",
                (action, hit_id, step),
            )
        db.execute("UPDATE hit SET hidden = 1 WHERE id IN (4, 5)")
        db.execute("PRAGMA user_version = 5")
    db.close()
    return version_1


def test_a_store_of_version_5_gets_marks_of_a_take_sheet_kit_ids_and_acts(version_5):
    with Store.open(version_5) as store:
        assert [store.hits.get(i).mark for i in (1, 2, 3)] == list(OLD_MARKS.values())
        given = store.database.read_setting("handed_over")
        assert given["7"][2] == {"mark": "no-good", "remark": "keep"}
        (kit,) = store.kits.read()
        assert (kit.kit_id, kit.version, kit.time_utc) == (1, 2, "now")
        first, last = store.acts.read()
        assert (last.id, first.verb, first.n_changes) == (8, "hide", 1)
        undo_acts(store, [last])
        assert [store.hits.get(i).state for i in (4, 5)] == ["here", "hidden"]
        store.annotations.set_mark([1], "spare")
        assert store.acts.last_done().id > 8


def test_a_newer_store_is_refused(store):
    store.close()
    db = sqlite3.connect(store.path)
    db.execute(f"PRAGMA user_version = {schema.SCHEMA_VERSION + 1}")
    db.close()
    with pytest.raises(StoreError, match="was written by a newer version"):
        Store.open(store.path)


def test_an_older_store_is_backed_up_and_migrated(scanned, monkeypatch):
    hits, old = scanned.hits.read(), schema.SCHEMA_VERSION
    scanned.close()
    monkeypatch.setattr(schema, "SCHEMA_VERSION", old + 1)
    monkeypatch.setitem(schema.MIGRATIONS, old, STEP)
    with Store.open(scanned.path) as store:
        assert store.database.read("SELECT count(*) FROM extra")[0][0] == 0
        assert repr(store.hits.read()) == repr(hits)
    monkeypatch.undo()
    with Store.open(scanned.path.with_name(f"drums.sqlite.before-{old}")) as backup:
        assert repr(backup.hits.read()) == repr(hits)


def test_a_failed_migration_changes_nothing(scanned, monkeypatch):
    scanned.close()
    old = schema.SCHEMA_VERSION
    with monkeypatch.context() as patch:
        patch.setattr(schema, "SCHEMA_VERSION", old + 1)
        patch.setitem(schema.MIGRATIONS, old, "CREATE TABLE extra (a); no such words")
        with pytest.raises(StoreError, match="syntax error"):
            Store.open(scanned.path)
    with Store.open(scanned.path) as store:
        assert store.database.read("SELECT name FROM sqlite_master WHERE name = 'extra'") == []
        assert len(store.hits.read()) == 6
