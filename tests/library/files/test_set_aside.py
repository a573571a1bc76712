from __future__ import annotations

import os
import random
import shutil
import subprocess
import tempfile
from pathlib import Path

import psutil
import pytest

from catalog.errors import StoreError
from catalog.library.files import journal, volumes
from catalog.library.files.aside_journal import JOURNAL_NAME
from catalog.library.files.set_aside import (
    RestoreOptions,
    hide_hits,
    restore_hits,
    set_aside_hits,
    unhide_hits,
)
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import hash_file
from catalog.library.store.store import Store
from tests.library.files.conftest import snapshot, undo_steps

MEMORY = Path("/dev/shm")  # on Linux another file system than the temporary folder


def test_a_file_is_set_aside_and_restored_with_its_bytes_and_time(scanned, library):
    hit, before = scanned.hits.read()[0], snapshot(library)
    event = set_aside_hits(scanned, [hit.id], reason="have it twice")[0]
    aside = scanned.hits.get(hit.id)
    assert (event.action, event.source, event.target, event.reason) == (
        "set aside", hit.path, aside.path, "have it twice"
    )  # fmt: skip
    assert aside.state == "aside"
    assert snapshot(library) == {path: before[path] for path in before if path != hit.path}
    assert snapshot(scanned.aside_folder) == {aside.path: before[hit.path]}
    restore_hits(scanned, [hit.id])
    assert scanned.hits.get(hit.id) == hit
    assert snapshot(library) == before
    assert [path.name for path in scanned.aside_folder.iterdir()] == [JOURNAL_NAME]
    assert [e.action for e in scanned.history.read()] == ["set aside", "restore"]


@pytest.mark.parametrize("n_disks", [1, 2])
def test_many_are_restored_in_any_order(library, tmp_path, n_disks):
    if n_disks == 2 and (not MEMORY.is_dir() or MEMORY.stat().st_dev == library.stat().st_dev):
        pytest.skip(f"needs a second file system at {MEMORY}")
    before = snapshot(library)
    with (
        tempfile.TemporaryDirectory(dir=MEMORY if n_disks == 2 else tmp_path) as folder,
        Store.open(Path(folder) / "drums.sqlite") as store,
    ):
        scan_folders(store, [library], n_jobs=1)
        hits = store.hits.read()
        ids = [hit.id for hit in hits]
        set_aside_hits(store, ids, reason="all of it")
        assert snapshot(library) == {}
        assert len(snapshot(store.aside_folder)) == len(ids)
        random.Random(3).shuffle(ids)
        for hit_id in ids:
            restore_hits(store, [hit_id])
        assert snapshot(store.aside_folder) == {}
        assert store.hits.read() == hits
    assert snapshot(library) == before


def test_files_of_one_name_are_kept_apart_in_the_aside_folder(scanned, library, write_hit):
    write_hit(library / "Elsewhere" / "tom.flac", hz=333, container="FLAC")
    scan_folders(scanned, [library], n_jobs=1)
    ids = [hit.id for hit in scanned.hits.read() if hit.name == "tom"]
    before = snapshot(library)
    set_aside_hits(scanned, ids, reason="")
    assert len(snapshot(scanned.aside_folder)) == 2
    restore_hits(scanned, ids)
    assert snapshot(library) == before


def test_a_file_at_the_old_path_is_not_overwritten(scanned):
    hit = scanned.hits.read()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    hit.path.write_text("somebody else's")
    with pytest.raises(StoreError, match="another file is there now; move it away"):
        restore_hits(scanned, [hit.id])
    assert hit.path.read_text() == "somebody else's"
    assert hash_file(scanned.hits.get(hit.id).path) == hit.content_hash


def test_a_file_that_appears_after_the_check_is_not_overwritten(scanned, monkeypatch):
    hit = scanned.hits.read()[0]
    set_aside_hits(scanned, [hit.id], reason="")

    def appear(path):
        hit.path.write_text("just now")
        return False

    monkeypatch.setattr(os.path, "lexists", appear)
    with pytest.raises(StoreError, match="cannot be moved"):
        restore_hits(scanned, [hit.id])
    assert hit.path.read_text() == "just now"
    assert hash_file(scanned.hits.get(hit.id).path) == hit.content_hash
    assert scanned.database.read("SELECT * FROM journal") == []


def test_a_missing_folder_is_created_again(scanned):
    hits = [hit for hit in scanned.hits.read() if hit.session == "Attic"]
    ids = [hit.id for hit in hits]
    set_aside_hits(scanned, ids, reason="")
    hits[0].path.parent.rmdir()
    restore_hits(scanned, ids)
    assert hash_file(hits[0].path) == hits[0].content_hash


def test_hits_that_cannot_be_set_aside_are_refused_before_any_file_moves(scanned):
    good, changed, missing, aside = scanned.hits.read()[:4]
    set_aside_hits(scanned, [aside.id], reason="")
    changed.path.write_bytes(changed.path.read_bytes() + b"\0")
    missing.path.unlink()
    for bad, words in [
        (changed.id, "has changed since it was scanned"),
        (missing.id, "no longer exists; scan its folder"),
        (aside.id, "set aside already"),
        (9_999, "hit 9999 is not in this store"),
    ]:
        with pytest.raises(StoreError, match=words):
            set_aside_hits(scanned, [good.id, bad], reason="")
        assert good.path.exists()
    with pytest.raises(StoreError, match="is not set aside"):
        restore_hits(scanned, [good.id])


def test_a_link_is_refused(scanned, tmp_path):
    hit = scanned.hits.read()[0]
    target = tmp_path / "target.wav"
    hit.path.rename(target)
    hit.path.symlink_to(target)
    with pytest.raises(StoreError, match="is a link"):
        set_aside_hits(scanned, [hit.id], reason="")
    assert hit.path.is_symlink()


def test_a_file_that_cannot_be_removed_is_refused_and_the_others_can_be_set_aside(
    scanned, library, make_immutable
):
    first, second = scanned.hits.read()[:2]
    before = snapshot(library)
    make_immutable(first.path)
    with pytest.raises(StoreError, match=r"cannot be moved \(Operation not permitted\); 0 of 2"):
        set_aside_hits(scanned, [first.id, second.id], reason="")
    assert snapshot(library) == before
    assert [path.name for path in scanned.aside_folder.iterdir()] == [JOURNAL_NAME]
    set_aside_hits(scanned, [second.id], reason="")
    assert scanned.hits.get(first.id) == first


def test_the_store_may_be_moved_together_with_its_folder(scanned, tmp_path):
    hit = scanned.hits.read()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    scanned.close()
    scanned.path.parent.rename(tmp_path / "new home")
    with Store.open(tmp_path / "new home" / "drums.sqlite") as store:
        restore_hits(store, [hit.id])
        assert hash_file(store.hits.get(hit.id).path) == hit.content_hash


@pytest.fixture
def read_only(tmp_path_factory, write_hit):
    """Give a store with one hit, in a folder that this process may read but not change."""
    with tempfile.TemporaryDirectory() as root:  # pytest's own folder is closed to other users
        hit_path = write_hit(Path(root) / "archive" / "kick.wav")
        with Store.open(tmp_path_factory.mktemp("own") / "s.sqlite") as store:
            scan_folders(store, [hit_path.parent], n_jobs=1)
            Path(root).chmod(0o755)
            hit_path.parent.chmod(0o555)
            is_root = os.geteuid() == 0
            if is_root:
                os.seteuid(65534)  # nobody, as Debian counts
            yield store
            if is_root:
                os.seteuid(0)
            hit_path.parent.chmod(0o755)


def test_a_read_only_folder_is_refused_and_its_hit_can_be_hidden(read_only):
    (hit,) = read_only.hits.read()
    with pytest.raises(StoreError, match=rf"read-only, so the file stays; hide hit {hit.id} inst"):
        set_aside_hits(read_only, [hit.id], reason="")
    assert hit.path.exists()
    hide_hits(read_only, [hit.id])
    assert read_only.hits.read() == []


@pytest.mark.skipif(not psutil.LINUX, reason="reads a table of mounts as Linux writes it")
def test_a_folder_on_another_machine_is_refused(scanned, monkeypatch, library, tmp_path):
    table = tmp_path / "proc" / "self" / "mounts"  # in the form of proc_pid_mounts(5)
    table.parent.mkdir(parents=True)
    table.write_text(f"shelf:/drums {library} nfs4 rw,relatime 0 0\n")
    monkeypatch.setattr(psutil, "PROCFS_PATH", str(tmp_path / "proc"))
    assert volumes.list_mounts() == {str(library): "nfs4"}
    hit = scanned.hits.read()[0]
    with pytest.raises(StoreError, match=r"on another machine \(nfs4\), so the file stays"):
        set_aside_hits(scanned, [hit.id], reason="")
    assert hit.path.exists()


def test_hidden_hits_are_not_listed_and_their_files_stay(scanned, library):
    before = snapshot(library)
    first, second = scanned.hits.read()[:2]
    (event, _) = hide_hits(scanned, [first.id, second.id], reason="shared folder")
    assert (event.action, event.source, event.target) == ("hide", first.path, first.path)
    assert {h.id for h in scanned.hits.read(states=("hidden",))} == {first.id, second.id}
    assert scanned.hits.get(first.id).state == "hidden"
    assert first.id not in {h.id for h in scanned.hits.read()}
    unhide_hits(scanned, [first.id])
    assert scanned.hits.get(first.id) == first
    assert snapshot(library) == before


def test_a_hidden_hit_stays_hidden_when_its_file_changes_moves_or_comes_back(scanned, library):
    hit = scanned.hits.read()[0]
    hide_hits(scanned, [hit.id])
    hit.path.touch()
    scan_folders(scanned, [library], n_jobs=1)
    assert scanned.hits.get(hit.id).state == "hidden"
    moved = hit.path.with_name("elsewhere.wav")
    hit.path.rename(moved)
    scan_folders(scanned, [library], n_jobs=1)
    assert (scanned.hits.get(hit.id).state, scanned.hits.get(hit.id).path) == ("hidden", moved)
    data = moved.read_bytes()
    moved.unlink()
    scan_folders(scanned, [library], n_jobs=1)
    assert scanned.hits.get(hit.id).state == "missing"
    moved.write_bytes(data)
    scan_folders(scanned, [library], n_jobs=1)
    assert scanned.hits.get(hit.id).state == "hidden"


def test_no_hit_is_hidden_if_one_cannot_be(scanned):
    good, away, hidden = scanned.hits.read()[:3]
    set_aside_hits(scanned, [away.id], reason="")
    hide_hits(scanned, [hidden.id])
    for bad, words in [
        (away.id, "set aside; restore it first"),
        (hidden.id, "hidden already"),
        (9_999, "not in this store"),
    ]:
        with pytest.raises(StoreError, match=words):
            hide_hits(scanned, [good.id, bad])
        assert scanned.hits.get(good.id).state == "here"
    with pytest.raises(StoreError, match="is not hidden: it is here"):
        unhide_hits(scanned, [good.id])


def write_mounts(folder, mount_points):
    """Write a table of mounts in the form of proc_pid_mounts(5), for psutil to read."""
    table = folder / "proc" / "self" / "mounts"
    table.parent.mkdir(parents=True, exist_ok=True)
    lines = [
        f"/dev/sd{letter}1 {at} ext4 rw 0 0\n"
        for letter, at in zip("abc", mount_points, strict=False)
    ]
    table.write_text("".join(lines))
    return str(folder / "proc")


@pytest.mark.skipif(not psutil.LINUX, reason="reads a table of mounts as Linux writes it")
def test_nothing_is_restored_while_the_disk_is_not_mounted(scanned, library, tmp_path, monkeypatch):
    before, hit = snapshot(library), scanned.hits.read()[0]
    monkeypatch.setattr(psutil, "PROCFS_PATH", write_mounts(tmp_path, ["/", library]))
    set_aside_hits(scanned, [hit.id], reason="")
    library.rename(tmp_path / "unplugged")
    library.mkdir()
    write_mounts(tmp_path, ["/"])
    with pytest.raises(StoreError, match=rf"mounted at {library} is not mounted there, so the fil"):
        restore_hits(scanned, [hit.id])
    undone = undo_steps(scanned)
    assert undone.events == ()
    assert "connect that disk" in undone.left[0][1]
    assert snapshot(library) == {}
    library.rmdir()
    (tmp_path / "unplugged").rename(library)
    write_mounts(tmp_path, ["/", library])
    restore_hits(scanned, [hit.id])
    assert snapshot(library) == before


@pytest.mark.skipif(not psutil.LINUX, reason="reads a table of mounts as Linux writes it")
def test_nothing_is_restored_to_another_disk_unless_it_is_allowed(
    scanned, library, tmp_path, monkeypatch
):
    before, hit = snapshot(library), scanned.hits.read()[0]
    links = tmp_path / "by-uuid"
    links.mkdir()
    (links / "A-A").symlink_to("/dev/sdb1")
    monkeypatch.setattr(volumes, "UUID_LINKS", links)
    monkeypatch.setattr(psutil, "PROCFS_PATH", write_mounts(tmp_path, ["/", library]))
    set_aside_hits(scanned, [hit.id], reason="")
    (links / "A-A").rename(links / "B-B")
    with pytest.raises(StoreError, match="another disk is mounted at"):
        restore_hits(scanned, [hit.id])
    restore_hits(scanned, [hit.id], options=RestoreOptions(other_disk=True))
    assert snapshot(library) == before


@pytest.mark.skipif(not psutil.LINUX or os.geteuid() != 0, reason="mounts a file as root on Linux")
def test_a_file_of_an_unmounted_disk_is_restored_once_it_is_mounted(tmp_path, write_hit):
    image, point = tmp_path / "disk.img", tmp_path / "disk"
    image.write_bytes(b"")
    os.truncate(image, 8 * 2**20)
    point.mkdir()
    for command in (["mkfs.ext4", "-q", image], ["mount", "-o", "loop", image, point]):
        if shutil.which(command[0]) is None or subprocess.run(command, check=False).returncode:
            pytest.skip("needs loop devices and mkfs.ext4")
    try:
        path = write_hit(point / "takes" / "kick.wav")
        data = path.read_bytes()
        with Store.open(tmp_path / "own" / "s.sqlite") as store:
            scan_folders(store, [point], n_jobs=1)
            set_aside_hits(store, [1], reason="")
            subprocess.run(["umount", point], check=True)
            assert undo_steps(store).events == ()
            assert list(point.iterdir()) == []
            subprocess.run(["mount", "-o", "loop", image, point], check=True)
            assert undo_steps(store).left == ()
            assert path.read_bytes() == data
    finally:
        subprocess.run(["umount", point], check=False)


def test_a_file_edited_in_the_aside_folder_is_restored_as_it_is_and_measured_again(
    scanned, library, write_hit
):
    hit = scanned.hits.read()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    aside = scanned.hits.get(hit.id).path
    times = aside.stat()
    write_hit(aside, hz=777, seed=3)  # as long as before
    os.utime(aside, ns=(times.st_atime_ns, times.st_mtime_ns))
    edited = aside.read_bytes()
    with pytest.raises(StoreError, match=f"`catalog restore {hit.id} --as-it-is` moves it back"):
        restore_hits(scanned, [hit.id])
    (event,) = restore_hits(scanned, [hit.id], options=RestoreOptions(as_it_is=True))
    assert event.reason == "changed while it was set aside"
    assert hit.path.read_bytes() == edited
    report = scan_folders(scanned, [library], n_jobs=1)
    assert report.changed == (hit.path,)
    assert scanned.hits.get(hit.id).content_hash == hash_file(hit.path)
    set_aside_hits(scanned, [hit.id], reason="")
    restore_hits(scanned, [hit.id])
    assert hit.path.read_bytes() == edited


@pytest.mark.parametrize("way", ["link", "copy"])
def test_a_file_saved_between_the_check_and_the_move_stays(
    scanned, library, tmp_path, monkeypatch, way
):
    """Editors save by writing another file and renaming it over the old one."""
    hit, move = scanned.hits.read()[0], journal.move_file

    def save_then_move(source, target, **options):
        (tmp_path / "save.tmp").write_bytes(b"NEWER")
        (tmp_path / "save.tmp").replace(source)
        move(source, target, **options)

    def no_hard_links(*_, **__):
        raise OSError(18, "Invalid cross-device link")

    monkeypatch.setattr(journal, "move_file", save_then_move)
    if way == "copy":
        monkeypatch.setattr(os, "link", no_hard_links)
    with pytest.raises(StoreError, match="cannot be moved"):
        set_aside_hits(scanned, [hit.id], reason="")
    assert hit.path.read_bytes() == b"NEWER"
    assert snapshot(scanned.aside_folder) == {}
    assert scanned.hits.get(hit.id) == hit
