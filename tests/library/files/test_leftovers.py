from __future__ import annotations

import json
import platform
import subprocess
import sys

import pytest

from catalog.library.files.atomic import staging_folder
from catalog.library.files.journal import open_store
from catalog.library.files.leftovers import MARKER, clear_leftovers, this_process
from catalog.library.store.store import Store

KILLED = """
import os, sys
from pathlib import Path
from catalog.library.files.atomic import staging_folder
from catalog.library.files.leftovers import export_under_way
from catalog.library.store.store import Store
target = Path(sys.argv[2])
with Store.open(sys.argv[1]) as store, export_under_way(store, target):
    with staging_folder(target) as staging:
        (staging / "half.wav").write_bytes(b"half")
        if sys.argv[3] == "killed":
            os._exit(9)
        print("writing", flush=True)
        sys.stdin.read()
"""


@pytest.fixture
def left(tmp_path):
    """The folder that a killed export left, beside two folders that are not its own."""
    (tmp_path / "out" / ".mine.unfinished-1").mkdir(parents=True)
    (tmp_path / "out" / ".mine.unfinished-1" / "song.wav").write_bytes(b"a person's")
    (tmp_path / "out" / "kit").mkdir()
    run(tmp_path, "killed").communicate()
    (folder,) = tmp_path.glob("out/.new kit.unfinished-*")
    assert (folder / "half.wav").exists()
    return folder


def run(tmp_path, way):
    command = [
        sys.executable,
        "-c",
        KILLED,
        tmp_path / "s.sqlite",
        tmp_path / "out" / "new kit",
        way,
    ]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def names(tmp_path):
    return sorted(path.name for path in (tmp_path / "out").iterdir())


def test_what_a_killed_export_left_is_deleted_at_the_next_start(left, tmp_path):
    open_store(tmp_path / "s.sqlite").close()
    assert names(tmp_path) == [".mine.unfinished-1", "kit"]
    with Store.open(tmp_path / "s.sqlite") as store:
        assert store.database.read_setting("exports_under_way") == []


def test_what_a_killed_export_left_is_deleted_at_the_next_export_beside_it(left, tmp_path):
    with staging_folder(tmp_path / "out" / "other"):
        assert not left.exists()
    assert names(tmp_path) == [".mine.unfinished-1", "kit"]


def test_the_folder_of_a_running_export_stays(tmp_path):
    running = run(tmp_path, "running")
    assert running.stdout.readline() == b"writing\n"
    before = names(tmp_path)
    open_store(tmp_path / "s.sqlite").close()
    clear_leftovers(tmp_path / "out")
    assert names(tmp_path) == before
    running.communicate(b"")
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no JSON",
        json.dumps([1]),
        json.dumps({"writer": [platform.node(), "x", 0]}),
        json.dumps({"writer": ["another machine", 1, 0.0]}),
        json.dumps({"writer": this_process()}),
    ],
)
def test_a_folder_that_is_not_certainly_a_leftover_stays(left, tmp_path, text):
    (left / MARKER).write_text(text)
    clear_leftovers(tmp_path / "out")
    assert left.exists()


def test_a_link_is_not_followed(left, tmp_path):
    kept = left.rename(tmp_path / "kept")
    left.symlink_to(kept)
    clear_leftovers(tmp_path / "out")
    assert (kept / "half.wav").exists()


def test_folders_on_a_disk_that_is_not_connected_are_deleted_once_it_is(left, tmp_path):
    away = (tmp_path / "out").rename(tmp_path / "away")
    open_store(tmp_path / "s.sqlite").close()
    away.rename(tmp_path / "out")
    open_store(tmp_path / "s.sqlite").close()
    assert not left.exists()
