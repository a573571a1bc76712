from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from catalog.errors import StoreError
from catalog.library import set_aside
from catalog.library.scan import scan_folders
from catalog.library.set_aside import move_file, restore_hits, set_aside_hits
from catalog.library.store import Store
from catalog.library.walk import hash_file

N_KILLS = 10
N_OPENINGS = 100


@pytest.fixture
def scanned(store, library):
    scan_folders(store, [library], n_jobs=1)
    return store


def facts(path: Path):
    return path.read_bytes(), path.stat().st_mtime_ns


def files_below(folder: Path):
    return sorted(path for path in folder.rglob("*") if path.is_file())


def test_a_file_goes_aside_and_comes_back_byte_for_byte(scanned):
    hit = scanned.hits()[0]
    before = facts(hit.path)
    event = set_aside_hits(scanned, [hit.id], reason="have it twice")[0]
    away = scanned.hit(hit.id)
    assert (event.action, event.source, event.target, event.reason) == (
        "set aside", hit.path, away.path, "have it twice"
    )  # fmt: skip
    assert not hit.path.exists()
    assert away.state == "aside"
    assert away.path.is_relative_to(scanned.aside_folder)
    assert facts(away.path) == before
    restore_hits(scanned, [hit.id])
    assert scanned.hit(hit.id) == hit
    assert facts(hit.path) == before
    assert list(scanned.aside_folder.iterdir()) == []
    assert [e.action for e in scanned.history()] == ["set aside", "restore"]


def test_many_are_undone_in_any_order(scanned, library):
    before = {path: facts(path) for path in files_below(library)}
    hits = scanned.hits()
    ids = [hit.id for hit in hits]
    set_aside_hits(scanned, ids, reason="all of it")
    assert files_below(library) == []
    random.Random(3).shuffle(ids)
    for hit_id in ids:
        restore_hits(scanned, [hit_id])
    assert {path: facts(path) for path in files_below(library)} == before
    assert scanned.hits() == hits


def test_files_of_one_name_do_not_meet_in_the_folder_aside(scanned, library, write_hit):
    twin = write_hit(library / "Elsewhere" / "tom.flac", hz=333, container="FLAC")
    scan_folders(scanned, [library], n_jobs=1)
    ids = [hit.id for hit in scanned.hits() if hit.name == "tom"]
    before = facts(twin)
    set_aside_hits(scanned, ids, reason="")
    assert len(files_below(scanned.aside_folder)) == 2
    restore_hits(scanned, ids)
    assert facts(twin) == before


def test_a_taken_name_is_never_written_over(scanned):
    hit = scanned.hits()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    hit.path.write_text("somebody else's")
    with pytest.raises(StoreError, match="another file is there now; move it away"):
        restore_hits(scanned, [hit.id])
    assert hit.path.read_text() == "somebody else's"
    assert hash_file(scanned.hit(hit.id).path) == hit.content_hash


def test_a_name_taken_at_the_last_moment_is_not_written_over(scanned, monkeypatch):
    hit = scanned.hits()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    monkeypatch.setattr(set_aside, "_check_free", lambda place: hit.path.write_text("just now"))
    with pytest.raises(StoreError, match="cannot be moved"):
        restore_hits(scanned, [hit.id])
    assert hit.path.read_text() == "just now"
    assert hash_file(scanned.hit(hit.id).path) == hit.content_hash
    assert scanned.read("SELECT * FROM journal") == []


def test_a_folder_that_vanished_is_made_again(scanned):
    hit = next(hit for hit in scanned.hits() if hit.session == "Attic")
    ids = [other.id for other in scanned.hits() if other.session == "Attic"]
    set_aside_hits(scanned, ids, reason="")
    hit.path.parent.rmdir()
    restore_hits(scanned, ids)
    assert hash_file(hit.path) == hit.content_hash


def test_what_cannot_be_set_aside_is_refused_before_anything_moves(scanned, library):
    good, changed, gone, away = scanned.hits()[:4]
    set_aside_hits(scanned, [away.id], reason="")
    changed.path.write_bytes(changed.path.read_bytes() + b"\0")
    gone.path.unlink()
    for bad, words in [
        (changed.id, "has changed since it was scanned"),
        (gone.id, "is gone; scan its folder"),
        (away.id, "set aside already"),
        (9_999, "hit 9999 is not in this store"),
    ]:
        with pytest.raises(StoreError, match=words):
            set_aside_hits(scanned, [good.id, bad], reason="")
        assert good.path.exists()
    with pytest.raises(StoreError, match="is not set aside"):
        restore_hits(scanned, [good.id])


def test_a_link_is_not_moved(scanned, library, tmp_path):
    hit = scanned.hits()[0]
    real = tmp_path / "real.wav"
    hit.path.rename(real)
    hit.path.symlink_to(real)
    with pytest.raises(StoreError, match="is a link"):
        set_aside_hits(scanned, [hit.id], reason="")
    assert hit.path.is_symlink()


def test_the_store_may_be_moved_together_with_its_folder(scanned, tmp_path):
    hit = scanned.hits()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    scanned.close()
    scanned.path.parent.rename(tmp_path / "new home")
    with Store.open(tmp_path / "new home" / "drums.sqlite") as store:
        restore_hits(store, [hit.id])
        assert hash_file(store.hit(hit.id).path) == hit.content_hash


def no_second_names(*_, **__):
    raise OSError(18, "Invalid cross-device link")


def test_another_file_system_gets_a_checked_copy_with_its_times(scanned, monkeypatch):
    monkeypatch.setattr(os, "link", no_second_names)
    hit = scanned.hits()[0]
    before = facts(hit.path)
    set_aside_hits(scanned, [hit.id], reason="")
    assert not hit.path.exists()
    assert files_below(scanned.aside_folder) == [scanned.hit(hit.id).path]
    restore_hits(scanned, [hit.id])
    assert facts(hit.path) == before


def test_a_store_on_another_disk_works_the_same(library):
    memory = Path("/dev/shm")
    if not memory.is_dir() or memory.stat().st_dev == library.stat().st_dev:
        pytest.skip("needs a second file system at /dev/shm")
    before = {path: facts(path) for path in files_below(library)}
    with (
        tempfile.TemporaryDirectory(dir=memory) as folder,
        Store.open(Path(folder) / "drums.sqlite") as store,
    ):
        scan_folders(store, [library], n_jobs=1)
        ids = [hit.id for hit in store.hits()]
        set_aside_hits(store, ids, reason="")
        assert files_below(library) == []
        assert len(files_below(store.aside_folder)) == len(ids)
        restore_hits(store, ids)
        assert files_below(store.aside_folder) == []
    assert {path: facts(path) for path in files_below(library)} == before


def test_a_copy_that_differs_is_thrown_away_and_the_file_stays(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "link", no_second_names)
    source = tmp_path / "a.wav"
    source.write_bytes(b"whole")
    with pytest.raises(OSError, match="the copy differs"):
        move_file(source, tmp_path / "to" / "a.wav", content_hash="0" * 64)
    assert source.read_bytes() == b"whole"
    assert files_below(tmp_path) == [source]


class Dies(BaseException):
    """Stands for the end of the process at one step."""


@pytest.mark.parametrize("copying", [False, True])
@pytest.mark.parametrize("n_calls", range(5))
@pytest.mark.parametrize("going", ["away", "back"])
def test_dying_at_any_step_leaves_one_whole_file(scanned, monkeypatch, copying, n_calls, going):
    hit = scanned.hits()[0]
    before = facts(hit.path)
    if going == "back":
        set_aside_hits(scanned, [hit.id], reason="")
    with monkeypatch.context() as patch:
        _die_after(patch, n_calls, copying=copying)
        move = set_aside_hits if going == "away" else restore_hits
        options = {"reason": "x"} if going == "away" else {}
        with pytest.raises(Dies):
            move(scanned, [hit.id], **options)
    place = scanned.path
    scanned.close()
    with Store.open(place) as store:
        _check_one_whole_place(store, hit, before)


def _die_after(patch, n_calls, *, copying):
    """Let the n-th of all steps that touch the disk, and each later one, end the program."""
    left = [n_calls]

    def wrap(step):
        def counted(*args, **kwargs):
            left[0] -= 1
            if left[0] < 0:
                raise Dies
            return step(*args, **kwargs)

        return counted

    for module, name in [(os, "unlink"), (set_aside, "_sync_folder"), (set_aside, "_finish"),
                         (set_aside.shutil, "copy2"), (set_aside, "_rename_free")]:  # fmt: skip
        patch.setattr(module, name, wrap(getattr(module, name)))
    patch.setattr(os, "link", no_second_names if copying else wrap(os.link))


def _check_one_whole_place(store, hit, before):
    now = store.hit(hit.id)
    assert facts(now.path) == before
    places = [hit.path, *files_below(store.aside_folder)]
    assert [path for path in places if path.exists()] == [now.path]
    assert (now.state == "here") == (now.path == hit.path)
    assert store.read("SELECT * FROM journal") == []
    if now.state == "aside":
        restore_hits(store, [hit.id])
        assert facts(hit.path) == before


CYCLE = """
import sys
from catalog.library.set_aside import restore_hits, set_aside_hits
from catalog.library.store import Store
with Store.open(sys.argv[1]) as store:
    print("ready", flush=True)
    ids = [hit.id for hit in store.hits(states=("here", "aside"))]
    while True:
        for hit in map(store.hit, ids):
            if hit.state == "here":
                set_aside_hits(store, [hit.id], reason="round")
            else:
                restore_hits(store, [hit.id])
"""


def test_a_move_at_work_is_not_taken_for_an_interrupted_one(scanned, library):
    before = {path: facts(path) for path in files_below(library)}
    run = subprocess.Popen([sys.executable, "-c", CYCLE, scanned.path], stdout=subprocess.PIPE)
    assert run.stdout is not None
    assert run.stdout.readline() == b"ready\n"
    for _ in range(N_OPENINGS):  # each one looks for interrupted moves
        with Store.open(scanned.path) as store:
            assert len(store.hits(states=("here", "aside"))) == len(before)
    assert run.poll() is None  # it never met an error
    run.kill()
    run.communicate()
    with Store.open(scanned.path) as store:
        assert len(store.history()) > 2
        restore_hits(store, [hit.id for hit in store.hits(states=("aside",))])
    assert {path: facts(path) for path in files_below(library)} == before


def test_a_killed_program_loses_no_file(scanned, library):
    before = {path: facts(path) for path in files_below(library)}
    hits = scanned.hits()
    place = scanned.path
    scanned.close()
    chance = random.Random(1)
    for _ in range(N_KILLS):
        run = subprocess.Popen([sys.executable, "-c", CYCLE, place], stdout=subprocess.PIPE)
        assert run.stdout is not None
        assert run.stdout.readline() == b"ready\n"
        time.sleep(chance.uniform(0.0, 0.15))
        run.send_signal(signal.SIGKILL)
        run.communicate()
        with Store.open(place) as store:
            for hit in hits:
                now = store.hit(hit.id)
                assert facts(now.path) == before[hit.path]
            assert len(files_below(library)) + len(files_below(store.aside_folder)) == len(hits)
    with Store.open(place) as store:
        restore_hits(store, [hit.id for hit in store.hits(states=("aside",))])
        assert {path: facts(path) for path in files_below(library)} == before
        assert len(store.history()) > N_KILLS  # the program did get to work
