from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from catalog.errors import ParameterError
from catalog.library.scan.walk import (
    SYSTEM_REASON,
    check_roots,
    find_system_folders,
    hash_file,
    is_of_system,
    walk_folders,
)

NOWHERE = "/nowhere-aside"


def walk(*roots):
    return walk_folders(check_roots(roots), leave_out=NOWHERE)


def names(found):
    return [os.path.basename(file.path) for file in found.files]


@pytest.fixture
def tree(tmp_path):
    for name in ("b/2.wav", "b/10.wav", "a/deep/er/x.FLAC", "a/notes.txt"):
        path = tmp_path / "root" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    return tmp_path / "root"


def test_roots_inside_others_and_named_twice_count_once(tree):
    assert check_roots([tree, tree / "a", tree]) == [str(tree)]
    assert names(walk(tree / "b", tree)) == ["x.FLAC", "10.wav", "2.wav"]


def test_a_single_path_is_one_folder(tree):
    assert check_roots(tree) == check_roots(str(tree)) == [str(tree)]


def test_a_folder_with_a_common_prefix_is_not_inside(tmp_path):
    (tmp_path / "drums").mkdir()
    (tmp_path / "drums2").mkdir()
    assert len(check_roots([tmp_path / "drums", tmp_path / "drums2"])) == 2


def test_a_loop_of_links_is_reported_once(tree):
    (tree / "a" / "loop").symlink_to(tree)
    found = walk(tree)
    assert names(found) == ["x.FLAC", "10.wav", "2.wav"]
    ((path, reason),) = found.faults
    assert (Path(path).name, "back to a folder above" in reason) == ("loop", True)


def test_links_to_themselves_or_to_nothing_are_reported(tree):
    (tree / "self.wav").symlink_to(tree / "self.wav")
    (tree / "gone.wav").symlink_to(tree / "not there.wav")
    faults = dict(walk(tree).faults)
    assert sorted(Path(path).name for path in faults) == ["gone.wav", "self.wav"]
    assert all("broken link" in reason for reason in faults.values())


def test_a_link_out_of_the_roots_is_followed_once(tree, tmp_path):
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "far.wav").write_bytes(b"x")
    (tree / "l1").symlink_to(tmp_path / "other")
    (tree / "l2").symlink_to(tmp_path / "other")
    (tmp_path / "other" / "round").symlink_to(tmp_path / "other")
    assert names(walk(tree)).count("far.wav") == 1


def test_files_are_sorted_and_a_link_to_one_of_them_adds_nothing(tree):
    (tree / "same").symlink_to(tree / "b")
    (tree / "same.wav").symlink_to(tree / "b" / "2.wav")
    found = walk(tree)
    assert names(found) == ["x.FLAC", "10.wav", "2.wav"]
    assert found.faults == []


def test_a_pipe_named_like_audio_is_reported_and_not_opened(tree):
    os.mkfifo(tree / "pipe.wav")
    found = walk(tree)
    assert "pipe.wav" not in names(found)
    assert "not a regular file" in dict(found.faults)[str(tree / "pipe.wav")]


def test_a_folder_without_permission_is_reported(tree, monkeypatch):
    real = os.scandir

    def forbid(folder):
        if str(folder).endswith("deep"):
            raise PermissionError(13, "Permission denied")
        return real(folder)

    monkeypatch.setattr(os, "scandir", forbid)
    found = walk(tree)
    assert names(found) == ["10.wav", "2.wav"]
    assert found.unlisted == [str(tree / "a" / "deep")]
    assert "Permission denied" in found.faults[0][1]


def test_a_hash_is_the_sha256_of_the_whole_file(tmp_path):
    # FIPS 180-4, example "abc" (NIST, Cryptographic Standards: Examples with Intermediate Values)
    (tmp_path / "abc").write_bytes(b"abc")
    assert hash_file(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_recordings_of_unread_formats_are_reported(tree):
    (tree / "b" / "old memo.WMA").write_bytes(b"x")
    ((path, reason),) = walk(tree).faults
    assert os.path.basename(path) == "old memo.WMA"
    assert reason == "is of a format that is not read; export it as WAV or FLAC"


@pytest.mark.skipif(sys.platform != "linux", reason="names folders of Linux")
@pytest.mark.parametrize("folder", ["/dev", "/proc/self", "/proc/self/task", "/sys"])
def test_folders_of_the_system_are_refused_at_once(folder):
    with pytest.raises(ParameterError, match=r"holds devices and data of the system"):
        check_roots([folder])


@pytest.mark.skipif(sys.platform != "linux", reason="names folders of Linux")
def test_a_link_to_the_system_is_reported_and_not_followed(tree):
    (tree / "system").symlink_to("/proc/self")  # which holds a link to the whole disk
    found = walk(tree)
    assert names(found) == ["x.FLAC", "10.wav", "2.wav"]
    assert found.faults == [(str(tree / "system"), SYSTEM_REASON)]


def test_memory_that_programs_share_may_be_scanned():
    assert not is_of_system("/dev/shm/drums", find_system_folders())
