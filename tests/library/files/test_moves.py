from __future__ import annotations

import os
import shutil
import stat

import pytest

from catalog.library.files import atomic
from catalog.library.files.moves import move_file
from catalog.library.scan.walk import hash_file
from tests.library.files.conftest import snapshot


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(b"whole")
    return path


@pytest.fixture
def target(tmp_path):
    return tmp_path / "to" / "a.wav"


@pytest.fixture
def no_hard_links(monkeypatch):
    def link(*_, **__):
        raise OSError(18, "Invalid cross-device link")

    monkeypatch.setattr(os, "link", link)


@pytest.mark.usefixtures("no_hard_links")
def test_a_copy_that_differs_is_removed_and_the_file_stays(source, target, tmp_path):
    before = snapshot(tmp_path)
    with pytest.raises(OSError, match="the copy differs"):
        move_file(source, target, content_hash="0" * 64)
    assert snapshot(tmp_path) == before


@pytest.mark.usefixtures("no_hard_links")
@pytest.mark.parametrize("in_one_call", [True, False], ids=["one call", "checks first"])
def test_a_target_that_appears_late_is_not_overwritten(
    source, target, tmp_path, monkeypatch, in_one_call
):
    target.parent.mkdir()
    target.write_bytes(b"another's")
    before = snapshot(tmp_path)
    if in_one_call:  # as if it appeared after the check
        monkeypatch.setattr(os.path, "lexists", lambda _: False)
    else:
        monkeypatch.setattr(atomic, "HAS_RENAMEAT2", False)
    with pytest.raises(FileExistsError):
        move_file(source, target, content_hash=hash_file(source))
    assert snapshot(tmp_path) == before


@pytest.mark.usefixtures("no_hard_links")
def test_a_file_written_to_while_it_is_copied_stays(source, target, tmp_path, monkeypatch):
    content_hash = hash_file(source)
    copy = shutil.copy2

    def copy_then_write(*paths):
        copy(*paths)
        source.write_bytes(b"whole, and more")

    monkeypatch.setattr(shutil, "copy2", copy_then_write)
    with pytest.raises(OSError, match="while it was copied"):
        move_file(source, target, content_hash=content_hash)
    assert {path: data for path, (data, _) in snapshot(tmp_path).items()} == {
        source: b"whole, and more"
    }


@pytest.mark.parametrize("way", ["link", "copy"])
def test_a_file_that_an_editor_replaces_during_the_move_stays(
    source, target, tmp_path, monkeypatch, request, way
):
    """Editors save by writing another file and renaming it over the old one."""
    if way == "copy":
        request.getfixturevalue("no_hard_links")
    content_hash, times = hash_file(source), os.stat(source)
    sync = os.fsync

    def save_then_sync(handle):
        if stat.S_ISDIR(os.fstat(handle).st_mode) and target.exists() and not saved:
            saved.append(tmp_path / "save.tmp")
            saved[0].write_bytes(b"NEWER")  # as long as the old version, and with its times
            os.utime(saved[0], ns=(times.st_atime_ns, times.st_mtime_ns))
            saved[0].replace(source)
        sync(handle)

    saved = []
    monkeypatch.setattr(os, "fsync", save_then_sync)
    with pytest.raises(OSError, match="another program replaced it"):
        move_file(source, target, content_hash=content_hash)
    assert saved
    assert {path: data for path, (data, _) in snapshot(tmp_path).items()} == {source: b"NEWER"}


@pytest.mark.parametrize("way", ["link", "copy"])
def test_a_file_that_cannot_be_removed_gets_no_second_name(
    source, target, tmp_path, make_immutable, request, way
):
    if way == "copy":
        request.getfixturevalue("no_hard_links")
    before = snapshot(tmp_path)
    make_immutable(source)
    with pytest.raises(PermissionError):
        move_file(source, target, content_hash=hash_file(source))
    assert snapshot(tmp_path) == before


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_is_moved_as_a_link_and_its_target_stays(source, target, tmp_path):
    link = tmp_path / "link.wav"
    link.symlink_to(source)
    move_file(link, target, content_hash=hash_file(source))
    assert not link.is_symlink()
    assert target.is_symlink()
    assert source.read_bytes() == b"whole"
