"""What a scan cannot make again is backed up before it changes."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
import subprocess
import sys

import pytest

from catalog.library.backup import backup
from catalog.library.backup.backup_files import backup_folder, list_backups
from catalog.library.files.journal import open_store
from catalog.library.store.store import Store


def rows(path, sql):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(sql).fetchall()


@pytest.fixture
def no_pause(monkeypatch):
    """Let each process, here each `Store.open`, make a backup."""
    monkeypatch.setattr(backup, "PAUSE", backup.timedelta(0))
    times = iter(range(1000))
    real = backup.datetime

    class Clock(real):
        @classmethod
        def now(cls, zone):
            return real(2026, 1, 1, tzinfo=zone) + backup.timedelta(hours=next(times))

    monkeypatch.setattr(backup, "datetime", Clock)


def sessions(path, n):
    for at in range(n):
        with Store.open(path) as store:
            store.annotations.set_remark([1], f"session {at}")
            store.annotations.set_remark([2], f"session {at}")


def test_a_session_of_changes_begins_with_a_backup_of_the_state_before(scanned, no_pause):
    scanned.close()
    sessions(scanned.path, 3)
    found = [
        rows(b.path, "SELECT remark FROM hit WHERE id = 2")[0][0]
        for b in list_backups(scanned.path)
    ]
    assert found == ["session 1", "session 0"]  # nothing was written before session 0


def test_five_backups_are_kept_readable_by_the_user_alone(scanned, no_pause):
    scanned.close()
    sessions(scanned.path, 9)
    folder = backup_folder(scanned.path)
    names = sorted(os.listdir(folder))
    assert len(names) == 5
    assert rows(folder / names[-1], "SELECT remark FROM hit WHERE id = 1") == [("session 7",)]
    if os.name == "posix":
        modes = [stat.S_IMODE(path.stat().st_mode) for path in (folder, *folder.iterdir())]
        assert modes == [0o700] + [0o600] * 5


def test_no_backup_is_deleted_while_the_store_holds_a_damaged_row(scanned, no_pause):
    scanned.close()
    sessions(scanned.path, 6)
    with contextlib.closing(sqlite3.connect(scanned.path)) as db, db:
        db.execute("UPDATE hit SET remark = 'sess' WHERE id = 2")
    for at in range(4):
        with Store.open(scanned.path) as store:
            store.annotations.set_remark([1], f"later {at}")
    assert len(list_backups(scanned.path)) == 9


def test_backups_of_another_store_at_the_same_path_are_kept(scanned, no_pause):
    scanned.close()
    sessions(scanned.path, 3)
    first = {b.path for b in list_backups(scanned.path)}
    with contextlib.closing(sqlite3.connect(scanned.path)) as db, db:
        db.execute("DELETE FROM setting WHERE key = 'store_id'")
    sessions(scanned.path, 9)
    assert first < {b.path for b in list_backups(scanned.path)}


def test_changes_within_an_hour_and_scans_make_no_further_backup(scanned):
    scanned.annotations.set_mark([1], "master")
    for mark in ("spare", "no-good", "master"):
        with Store.open(scanned.path) as store:
            store.annotations.set_mark([1], mark)
    assert len(list_backups(scanned.path)) == 1


def test_a_backup_holds_the_hits_that_kits_and_the_kit_session_name(scanned, no_pause):
    scanned.kits.save("evening", '{"slots": {"kick": [1, 3]}}')
    scanned.kits.save_draft('{"steps": ["{\\"slots\\": {\\"tom\\": [5]}}"]}')
    scanned.close()
    sessions(scanned.path, 1)
    newest = list_backups(scanned.path)[0]
    assert rows(newest.path, "SELECT id FROM hit") == [(1,), (3,), (5,)]


def test_a_backup_that_cannot_be_written_does_not_refuse_the_change(scanned, caplog):
    scanned.annotations.set_mark([1], "master")  # nothing to back up before it
    scanned.close()
    backup_folder(scanned.path).write_text("in the way")
    with Store.open(scanned.path) as store:
        store.annotations.set_mark([1], "spare")
        assert store.hits.get(1).mark == "spare"
    assert "no backup was made" in caplog.text


def test_an_unfinished_backup_of_a_killed_process_is_deleted(scanned):
    scanned.close()
    folder = backup_folder(scanned.path)
    folder.mkdir()
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left, own = (folder / f"2026-01-01T00-00-00Z.{pid}.part" for pid in (ended.pid, os.getpid()))
    left.touch()
    own.touch()
    open_store(scanned.path).close()
    assert os.listdir(folder) == [own.name]
