from __future__ import annotations

import pytest

from catalog.library.files import atomic
from catalog.library.files.atomic import (
    rename_into_place,
    staging_folder,
    write_new_file,
    write_synced,
)


@pytest.mark.parametrize("in_one_call", [True, False], ids=["one call", "checks first"])
@pytest.mark.parametrize("taken_by", ["file", "empty folder"])
def test_an_existing_target_is_not_overwritten(tmp_path, monkeypatch, in_one_call, taken_by):
    if not in_one_call:
        monkeypatch.setattr(atomic, "HAS_RENAMEAT2", False)
    target = tmp_path / "kit"
    if taken_by == "file":
        target.write_bytes(b"another's")
    else:
        target.mkdir()
    with staging_folder(target) as staging:
        write_synced(staging / "kit" / "a.wav", b"whole")
        with pytest.raises(FileExistsError):
            rename_into_place(staging / "kit", target)
    assert list(tmp_path.iterdir()) == [target]
    assert not target.is_dir() or list(target.iterdir()) == []


def test_a_finished_folder_appears_under_its_name_and_the_rest_is_removed(tmp_path):
    target = tmp_path / "new" / "kit"
    with staging_folder(target) as staging:
        assert staging.parent == target.parent
        assert staging.name.startswith(".")
        write_synced(staging / "kit" / "a.wav", b"whole")
        write_synced(staging / "unneeded", b"")
        assert not target.exists()
        rename_into_place(staging / "kit", target)
    assert [path.name for path in target.parent.iterdir()] == ["kit"]
    assert (target / "a.wav").read_bytes() == b"whole"


def test_an_interrupt_leaves_nothing(tmp_path):
    def write_half() -> None:
        with staging_folder(tmp_path / "kit") as staging:
            write_synced(staging / "a.wav", b"half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_half()
    assert list(tmp_path.iterdir()) == []


def test_a_new_file_is_read_back_before_it_gets_its_name(tmp_path, monkeypatch):
    target = tmp_path / "phrase.wav"
    write_new_file(target, b"whole")
    assert target.read_bytes() == b"whole"
    with pytest.raises(FileExistsError):
        write_new_file(target, b"another")
    monkeypatch.setattr(atomic, "write_synced", lambda path, data: path.write_bytes(data[:-1]))
    with pytest.raises(OSError, match="differs when read back"):
        write_new_file(tmp_path / "other.wav", b"whole")
    assert list(tmp_path.iterdir()) == [target]
    assert target.read_bytes() == b"whole"
