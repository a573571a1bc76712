from __future__ import annotations

import sqlite3
import subprocess
import sys

import numpy as np
import pytest

from catalog.errors import StoreError
from catalog.library.store import schema
from catalog.library.store.database import path_from_db, path_to_db
from catalog.library.store.store import Store


def test_settings_are_read_as_saved(store):
    store.database.save_setting("roots", ["/a", "/b"])
    assert store.database.read_setting("roots") == ["/a", "/b"]
    assert store.database.read_setting("none", 3) == 3


def test_a_failed_transaction_changes_nothing(scanned):
    before, history = scanned.revision(), scanned.history.read()

    def change_and_stop():
        with scanned.writing():
            scanned.hits.set_role(1, "clap")
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        change_and_stop()
    assert scanned.hits.get(1).role != "clap"
    assert (scanned.revision(), scanned.history.read()) == (before, history)


def test_saving_results_does_not_change_the_revision(store):
    before = store.revision()
    store.layouts.save([], np.empty((0, 2)), kind="pca", seed=0)
    store.group_cache.save([], key=before)
    store.kits.save("k", "{}")
    store.database.save_setting("a", 1)
    assert store.revision() == before


def test_paths_of_any_bytes_are_read_as_written():
    for raw in (b"/plain.wav", "/é ñ.wav".encode(), b"/\xff\xfe.wav"):
        path = path_from_db(raw)
        assert path_from_db(path_to_db(path)) == path
    assert isinstance(path_to_db("/plain.wav"), str)
    assert isinstance(path_to_db(path_from_db(b"/\xff.wav")), bytes)


def test_the_file_is_in_write_ahead_mode_and_marked_as_a_store(store):
    with sqlite3.connect(store.path) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert db.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
    db.close()


def test_a_file_that_is_not_a_store_is_refused(tmp_path):
    (tmp_path / "letter.sqlite").write_text("Dear all, this is no database. " * 99)
    with pytest.raises(StoreError, match="is not a store or is damaged"):
        Store.open(tmp_path / "letter.sqlite")
    db = sqlite3.connect(tmp_path / "other.sqlite")
    db.execute("CREATE TABLE invoices (a)")
    db.commit()
    db.close()
    with pytest.raises(StoreError, match="database of another program"):
        Store.open(tmp_path / "other.sqlite")
    with pytest.raises(StoreError, match="cannot be opened"):
        Store.open(tmp_path)


def test_several_processes_can_create_a_store_at_once(tmp_path):
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
