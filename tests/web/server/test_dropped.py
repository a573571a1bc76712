"""A folder that was dropped on the page is found by its name and contents."""

from __future__ import annotations

import os

from catalog.web.server import dropped
from catalog.web.server.dropped import find_dropped


def make(root, *paths: str) -> None:
    for path in paths:
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(b"x")


def test_a_folder_is_found_by_its_name_and_what_is_in_it(tmp_path):
    make(
        tmp_path, "a/barn/kick.wav", "b/c/barn/kick.wav", "b/c/barn/snare.wav", ".old/barn/kick.wav"
    )
    os.symlink(tmp_path / "b", tmp_path / "link")
    near, deep = tmp_path / "a" / "barn", tmp_path / "b" / "c" / "barn"
    assert find_dropped("barn", ["kick.wav"], [tmp_path]) == [near, deep]
    assert find_dropped("barn", ["kick.wav", "snare.wav"], [tmp_path, tmp_path / "b"]) == [deep]
    assert find_dropped("barn", ["tom.wav"], [tmp_path, tmp_path / "nowhere"]) == []


def test_the_search_ends_at_its_limits(tmp_path, monkeypatch):
    make(tmp_path, *(f"{n}/barn/kick.wav" for n in range(9)))
    assert len(find_dropped("barn", [], [tmp_path])) == dropped.MAX_FOUND
    monkeypatch.setattr(dropped, "MAX_LOOKED", 3)
    assert find_dropped("barn", [], [tmp_path]) == []
    monkeypatch.setattr(dropped, "MAX_S", -1.0)
    assert find_dropped(tmp_path.name, [], [tmp_path]) == []


def test_only_names_are_looked_for(client):
    for sent in (
        ["barn"],
        {"name": 3},
        {"name": "../x"},
        {"name": "barn", "inside": ["a/b"]},
        {"name": "\0"},
        {"name": ".."},
        {"name": "barn", "inside": ["x"] * 51},
    ):
        assert client.post_json("/api/folders", sent).status_code == 400
