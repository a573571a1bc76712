"""Errors of SQLite become sentences, and a store that cannot be written is read."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest

from catalog.__main__ import main
from catalog.errors import StoreError
from catalog.library.files.journal import open_store
from catalog.library.store import connection
from catalog.library.store.connection import translate_errors
from catalog.library.store.store import Store

# Primary result codes, from https://www.sqlite.org/rescode.html
CODES = {
    13: "disk is full",
    8: "read-only",
    10: "the disk reported a fault",
    5: "another program has been writing",
    11: "is damaged",
    26: "is not a store",
    14: "cannot be opened",
}


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("extended", [0, 1, 12])  # extended codes hold the primary one
def test_each_error_of_sqlite_becomes_a_sentence(code, extended):
    err = sqlite3.OperationalError("raw words")
    err.sqlite_errorcode = code + 256 * extended
    with pytest.raises(StoreError, match=CODES[code]) as raised, translate_errors(Path("s.sqlite")):
        raise err
    assert "raw words" not in str(raised.value)


@pytest.fixture
def unwritable(scanned, monkeypatch):
    """Return the path of a store whose file system refuses to write; works for any user."""
    scanned.kits.save("evening", "{}")
    scanned.close()

    def refuse(path):
        err = sqlite3.OperationalError("attempt to write a readonly database")
        err.sqlite_errorcode = 8
        raise err

    monkeypatch.setattr(connection, "_connect_to_write", refuse)
    return scanned.path


def test_a_store_that_cannot_be_written_lists_and_refuses_changes(unwritable, capsys):
    names = os.listdir(unwritable.parent)
    with open_store(unwritable) as store:
        assert len(store.hits.read()) == 6
        assert [kit.name for kit in store.kits.read()] == ["evening"]
        store.group_cache.save([], key=1)  # a cache; nothing to refuse
        with pytest.raises(StoreError, match="read-only, so nothing can be changed"):
            store.hits.set_role(1, "clap")
    assert main(["hits", "--store", str(unwritable)]) == 0
    assert main(["role", "clap", "1", "--store", str(unwritable)]) == 1
    assert "read-only, so nothing can be changed" in capsys.readouterr().err
    assert os.listdir(unwritable.parent) == names


def test_changes_in_a_log_beside_a_store_that_cannot_be_written_are_read(unwritable, tmp_path):
    """A process that was killed leaves its last changes in the log."""
    writer = sqlite3.connect(unwritable)
    writer.execute("PRAGMA wal_autocheckpoint = 0")
    writer.execute("UPDATE hit SET note = 'late' WHERE id = 1")
    writer.commit()
    place = tmp_path / "copy" / "drums.sqlite"
    place.parent.mkdir()
    for end in ("", "-wal"):
        shutil.copyfile(f"{unwritable}{end}", f"{place}{end}")
    writer.close()
    with Store.open(place) as store:
        assert store.hits.get(1).note == "late"
    assert sorted(os.listdir(place.parent)) == ["drums.sqlite", "drums.sqlite-wal"]


def test_an_older_store_that_cannot_be_written_is_refused_with_the_reason(unwritable):
    db = sqlite3.connect(unwritable)
    db.execute("PRAGMA user_version = 4")
    db.close()
    with pytest.raises(StoreError, match="older version and cannot be migrated"):
        Store.open(unwritable)


def test_a_store_on_a_disk_mounted_read_only_lists(scanned, tmp_path):
    scanned.close()
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=8m", "none", disk]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a file system can be mounted by root only")
    try:
        shutil.copy(scanned.path, disk / "drums.sqlite")
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        store = ["--store", str(disk / "drums.sqlite")]
        for command in (["hits"], ["copies"], ["history"], ["kits"], ["show", "1"]):
            assert main([*command, *store]) in (0, 1)
        assert main(["mark", "master", "1", *store]) == 1
    finally:
        subprocess.run(["umount", "-l", disk], capture_output=True, check=False)
