from __future__ import annotations

import os

import pytest

from catalog.web.views.recordings.folder_picker import MAX_LISTED, list_folder


@pytest.fixture
def home(tmp_path):
    for name in ("Takes/2024", "Takes/2023 <b>", ".hidden", "zoo"):
        (tmp_path / "home" / name).mkdir(parents=True)
    for name in ("a.wav", "b.FLAC", "notes.txt", "._c.wav"):
        (tmp_path / "home" / "Takes" / name).write_text("x")
    (tmp_path / "secret" / "inner").mkdir(parents=True)
    return tmp_path / "home"


def test_folders_are_listed_with_the_recordings_directly_in_them(home):
    here = list_folder(home, home=home)
    assert [(path.name, n) for path, n in here.inside] == [("Takes", 2), ("zoo", 0)]
    down = list_folder(home / "Takes", home=home)
    assert [path.name for path, _ in down.inside] == ["2023 <b>", "2024"]
    assert (down.n_files, down.above) == (2, (home, home / "Takes"))


@pytest.mark.parametrize("path", ["..", "../secret", "Takes/../../secret/inner", "no such", "link"])
def test_nothing_outside_the_home_folder_is_listed(home, path):
    (home / "link").symlink_to(home.parent / "secret")
    here = list_folder(home / path, home=home)
    assert here.place == home
    assert "link" not in [folder.name for folder, _ in here.inside]


def test_a_link_to_a_folder_below_is_listed(home):
    (home / "this year").symlink_to(home / "Takes" / "2024")
    assert "this year" in [path.name for path, _ in list_folder(home, home=home).inside]


def test_an_unreadable_folder_is_empty(home, monkeypatch):
    def refuse(_):
        raise PermissionError

    monkeypatch.setattr(os, "scandir", refuse)
    assert list_folder(home, home=home).inside == ()


def test_a_long_list_of_folders_is_cut(home):
    for number in range(MAX_LISTED + 1):
        (home / "zoo" / f"{number:04}").mkdir()
    here = list_folder(home / "zoo", home=home)
    assert (len(here.inside), here.more) == (MAX_LISTED, True)
