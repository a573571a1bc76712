from __future__ import annotations

import os
import random
import shutil
import tempfile
from pathlib import Path

import pytest

from catalog.errors import StoreError
from catalog.library.files import set_aside
from catalog.library.files import volumes as places
from catalog.library.files.hide import hide_hits
from catalog.library.files.set_aside import move_file, restore_hits, set_aside_hits
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import hash_file
from catalog.library.store.hits import Store


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


@pytest.mark.parametrize("newer", [True, False], ids=["one step", "looks first"])
def test_a_name_taken_after_the_look_is_not_written_over(tmp_path, monkeypatch, newer):
    monkeypatch.setattr(os, "link", no_second_names)
    source, target = tmp_path / "a.wav", tmp_path / "to" / "a.wav"
    source.write_bytes(b"whole")
    target.parent.mkdir()
    target.write_bytes(b"another's")
    if newer:  # as if it came after the look; without second names one call has to do it all
        monkeypatch.setattr(os.path, "lexists", lambda _: False)
    else:
        monkeypatch.setattr(set_aside, "LINUX", False)
    with pytest.raises(FileExistsError):
        move_file(source, target, content_hash=hash_file(source))
    assert (source.read_bytes(), target.read_bytes()) == (b"whole", b"another's")
    assert files_below(tmp_path) == [source, target]


def test_a_file_written_to_while_it_is_copied_stays(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "link", no_second_names)
    source = tmp_path / "a.wav"
    source.write_bytes(b"whole")
    content_hash = hash_file(source)
    copy = shutil.copy2

    def copy_then_write(one, other):
        copy(one, other)
        source.write_bytes(b"whole, and more")

    monkeypatch.setattr(set_aside.shutil, "copy2", copy_then_write)
    with pytest.raises(OSError, match="while it was copied"):
        move_file(source, tmp_path / "to" / "a.wav", content_hash=content_hash)
    assert source.read_bytes() == b"whole, and more"
    assert files_below(tmp_path) == [source]


@pytest.fixture
def shut(tmp_path_factory, write_hit):
    """A scanned hit in a folder that this process may read but not change."""
    with tempfile.TemporaryDirectory() as root:  # outside pytest's own folder, which is closed
        hit_path = write_hit(Path(root) / "archive" / "kick.wav")
        with Store.open(tmp_path_factory.mktemp("own") / "s.sqlite") as store:
            scan_folders(store, [hit_path.parent], n_jobs=1)
            Path(root).chmod(0o755)
            hit_path.parent.chmod(0o555)
            is_root = os.geteuid() == 0
            if is_root:
                os.seteuid(65534)  # nobody, as Debian counts
            yield store, hit_path
            if is_root:
                os.seteuid(0)
            hit_path.parent.chmod(0o755)


def test_a_read_only_folder_is_refused_with_what_to_do_instead(shut):
    store, path = shut
    (hit,) = store.hits()
    with pytest.raises(StoreError, match=rf"read-only, so the file stays; hide hit {hit.id} inst"):
        set_aside_hits(store, [hit.id], reason="")
    assert path.exists()
    hide_hits(store, [hit.id])
    assert store.hits() == []


def test_a_folder_on_another_machine_is_refused(scanned, monkeypatch, library, tmp_path):
    table = tmp_path / "mountinfo"
    table.write_text(f"30 1 0:50 / {library} rw,relatime shared:2 - nfs4 shelf:/drums rw\n")
    monkeypatch.setattr(places, "MOUNTS", table)
    hit = scanned.hits()[0]
    with pytest.raises(StoreError, match=r"on another machine \(nfs4\), so the file stays"):
        set_aside_hits(scanned, [hit.id], reason="")
    assert hit.path.exists()


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_is_moved_as_a_link_and_what_it_means_stays(tmp_path):
    meant = tmp_path / "meant.wav"
    meant.write_bytes(b"sound")
    link = tmp_path / "link.wav"
    link.symlink_to(meant)
    move_file(link, tmp_path / "away" / "link.wav", content_hash=hash_file(meant))
    assert not link.is_symlink()
    assert (tmp_path / "away" / "link.wav").is_symlink()
    assert meant.read_bytes() == b"sound"
