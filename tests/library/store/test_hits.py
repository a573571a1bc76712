from __future__ import annotations

import math
import sqlite3
import subprocess
import sys

import numpy as np
import pytest

from catalog.errors import ParameterError, StoreError
from catalog.library.scan.scanner import scan_folders
from catalog.library.store import schema
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.store import Store
from catalog.models import Skipped

STEP = "CREATE TABLE extra (a); CREATE INDEX ea ON extra (a)"  # stands for a later version


@pytest.fixture
def scanned(store, library):
    scan_folders(store, [library], n_jobs=1)
    return store


def test_saved_then_loaded_is_equal(scanned):
    hits = scanned.hits.read()
    numbers = scanned.hits.embeddings([hit.id for hit in hits])
    scanned.close()
    with Store.open(scanned.path) as again:
        assert repr(again.hits.read()) == repr(hits)  # repr, since NaN is not equal to itself
        np.testing.assert_array_equal(again.hits.embeddings([hit.id for hit in hits]), numbers)


def test_descriptors_that_are_not_defined_come_back_as_nan(scanned):
    hit = scanned.hits.read()[0]
    with scanned.writing() as db:
        db.execute("UPDATE hit SET descriptors = ? WHERE id = ?", ('{"length_s": null}', hit.id))
    assert math.isnan(scanned.hits.get(hit.id).descriptors["length_s"])


def test_arrays_come_in_the_order_asked_for(scanned):
    ids = [hit.id for hit in scanned.hits.read()]
    table = scanned.hits.embeddings(ids)
    assert table.dtype == np.float32
    np.testing.assert_array_equal(scanned.hits.embeddings(ids[::-1]), table[::-1])
    np.testing.assert_array_equal(scanned.hits.embeddings([ids[2], ids[2]]), table[[2, 2]])
    assert scanned.hits.embeddings([]).shape[0] == 0
    assert scanned.hits.role_probabilities(ids).shape == (len(ids), 20)
    with pytest.raises(StoreError, match="hit 777 is not"):
        scanned.hits.production([ids[0], 777])


def test_a_role_is_kept_told_in_the_history_and_changes_the_revision(scanned):
    hit, before = scanned.hits.read()[0], scanned.revision()
    scanned.hits.set_role(hit.id, "clap")
    now = scanned.hits.get(hit.id)
    assert (now.role, now.role_confidence, now.role_source) == ("clap", 1.0, "user")
    assert scanned.revision() > before
    event = scanned.history.read()[-1]
    assert (event.action, event.hit_id, event.reason) == ("role", hit.id, f"{hit.role} -> clap")


def test_unknown_names_are_refused_with_what_is_allowed(scanned):
    with pytest.raises(ParameterError, match=r"role='banjo' is unknown; roles are kick, snare"):
        scanned.hits.set_role(1, "banjo")
    with pytest.raises(StoreError, match="hit 404 is not in this store"):
        scanned.hits.set_role(404, "kick")
    with pytest.raises(ParameterError, match="'lost'; known are here, missing, aside"):
        scanned.hits.read(states=("lost",))
    with pytest.raises(ParameterError, match="name is empty"):
        scanned.kits.save(" ", "{}")


def test_a_failed_change_leaves_nothing_behind(scanned):
    before, history = scanned.revision(), scanned.history.read()

    def change_and_stop():
        with scanned.writing():
            scanned.hits.set_role(1, "clap")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        change_and_stop()
    assert scanned.hits.get(1).role != "clap"
    assert (scanned.revision(), scanned.history.read()) == (before, history)


def test_the_map_the_copies_the_kits_and_settings_are_kept(store):
    assert store.layouts.read()[2] == ""
    assert store.layouts.read()[1].shape == (0, 2)
    assert store.group_cache.read() is None
    xy = np.array([[0.5, -1.25], [3.0, 1e-3]], dtype=np.float32)
    store.layouts.save([4, 9], xy, kind="umap", seed=0)
    ids, places, kind = store.layouts.read()
    np.testing.assert_array_equal(ids, [4, 9])
    np.testing.assert_array_equal(places, xy)
    assert (ids.dtype, kind) == (np.int64, "umap")
    groups = [(1, ((2, "gain", 0.99), (3, "trim", 0.9))), (7, ((8, "same file", 1.0),))]
    store.group_cache.save(groups, key=5)
    assert store.group_cache.read() == (groups, 5)
    store.database.save_setting("roots", ["/a", "/b"])
    assert (store.database.read_setting("roots"), store.database.read_setting("none", 3)) == (
        ["/a", "/b"],
        3,
    )
    with pytest.raises(ParameterError, match=r"xy has shape \(2, 2\); 1 hits"):
        store.layouts.save([1], xy, kind="pca", seed=0)


def test_the_newest_kit_of_each_name_is_given(store):
    for name, payload in [("dry", "1"), ("wet", "2"), ("dry", "3")]:
        store.kits.save(name, payload)
    assert [(name, payload) for name, payload, _ in store.kits.read()] == [
        ("wet", "2"),
        ("dry", "3"),
    ]


def test_saving_results_does_not_change_the_revision(store):
    before = store.revision()
    store.layouts.save([], np.empty((0, 2)), kind="pca", seed=0)
    store.group_cache.save([], key=before)
    store.kits.save("k", "{}")
    store.database.save_setting("a", 1)
    assert store.revision() == before


def test_paths_survive_the_store_whatever_their_bytes():
    for raw in (b"/plain.wav", "/é ñ.wav".encode(), b"/\xff\xfe.wav"):
        path = path_from_db(raw)
        assert path_from_db(path_to_db(path)) == path
    assert isinstance(path_to_db("/plain.wav"), str)
    assert isinstance(path_to_db(path_from_db(b"/\xff.wav")), bytes)


def test_skipped_files_come_sorted(store):
    store.files.write_skipped([("/b.wav", 1, 1, "bad"), ("/a.wav", 1, 1, "worse")])
    assert [str(skip.path) for skip in store.files.read_skipped()] == ["/a.wav", "/b.wav"]
    assert isinstance(store.files.read_skipped()[0], Skipped)


def test_the_file_is_in_write_ahead_mode_and_marked_as_ours(store):
    with sqlite3.connect(store.path) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert db.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
    db.close()


def test_a_newer_store_is_refused_and_left_alone(store):
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


def test_what_is_no_store_is_refused(tmp_path):
    (tmp_path / "letter.sqlite").write_text("Dear all, this is no database. " * 99)
    with pytest.raises(StoreError, match="is no store or is damaged"):
        Store.open(tmp_path / "letter.sqlite")
    db = sqlite3.connect(tmp_path / "other.sqlite")
    db.execute("CREATE TABLE invoices (a)")
    db.commit()
    db.close()
    with pytest.raises(StoreError, match="database of another program"):
        Store.open(tmp_path / "other.sqlite")
    with pytest.raises(StoreError, match="cannot be opened"):
        Store.open(tmp_path)


def test_many_programs_may_open_a_new_store_at_once(tmp_path):
    code = (
        "import sys; from catalog.library.store.store import Store\n"
        "for n in range(20):\n"
        "    with Store.open(sys.argv[1]) as s: s.kits.save(sys.argv[2] + str(n), '{}')"
    )
    place = tmp_path / "new.sqlite"
    runs = [
        subprocess.Popen([sys.executable, "-c", code, place, who], stderr=subprocess.PIPE)
        for who in "abcd"
    ]
    for run in runs:
        assert run.communicate()[1] == b""
    with Store.open(place) as store:
        assert len(store.kits.read()) == 80


def test_hits_that_did_not_change_are_the_same_objects_when_read_again(scanned):
    before = scanned.hits.read()
    scanned.hits.set_role(before[0].id, "cowbell")
    after = scanned.hits.read()
    assert (after[0].role, after[0].role_source) == ("cowbell", "user")
    assert all(old is new for old, new in zip(before[1:], after[1:], strict=True))
    assert [scanned.hits.get(hit.id) for hit in after] == after


def test_numbers_that_were_measured_anew_are_read_anew(scanned):
    hit = scanned.hits.read()[0]
    with scanned.writing() as db:
        db.execute(
            "UPDATE hit SET descriptors = ?, version = version + 1 WHERE id = ?",
            ('{"length_s": 3.5}', hit.id),
        )
    assert scanned.hits.read()[0].descriptors == {"length_s": 3.5}


def test_writing_a_file_looks_at_its_own_rows_only(store):
    plan = store.database.read(
        "EXPLAIN QUERY PLAN SELECT id FROM hit WHERE path = ? AND state != 'aside'", ("/a",)
    )
    assert "hit_path" in plan[0][-1]  # else scanning takes longer for each hit that is there


def test_what_a_scan_asks_of_unchanged_files_is_answered_by_an_index_alone(store):
    # against SQLite's own account of the plan: the wide rows of hits are not read
    asked = []
    store.database._connection.set_trace_callback(asked.append)
    store.files.read_known()
    store.database._connection.set_trace_callback(None)
    query = next(sql for sql in asked if "FROM hit" in sql)
    plan = " ".join(row[-1] for row in store.database.read("EXPLAIN QUERY PLAN " + query))
    assert "COVERING INDEX hit_path" in plan
    assert "TEMP B-TREE" not in plan  # in the order that is asked for
