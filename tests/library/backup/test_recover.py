"""A lost or emptied store gets the files set aside back from their journal."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.errors import StoreError
from catalog.library.files.aside_journal import (
    JOURNAL_NAME,
    AsideEntry,
    append_entry,
    read_entries,
)
from tests.library.files.conftest import snapshot


@pytest.fixture
def lost(tmp_path, library):
    """Return the path of a deleted store with three files set aside, and the library before."""
    before, place = snapshot(library), tmp_path / "drums.sqlite"
    with Catalog.open(place) as cat:
        cat.scan([library], n_jobs=1)
        cat.set_aside([1, 2, 5], reason="too many")
        cat.restore([2])
        cat.set_aside([3], reason="hum")
    for path in tmp_path.glob("drums.sqlite*"):
        if path.is_file():
            path.unlink()
    return place, before


def test_the_journal_can_be_read_without_the_program(lost, library):
    place, before = lost
    lines = (Path(f"{place}.aside") / JOURNAL_NAME).read_text("utf-8").splitlines()
    rows = [json.loads(line) for line in lines]
    assert [(row["action"], row["phase"]) for row in rows[:2]] == [
        ("set aside", "begun"),
        ("set aside", "done"),
    ]
    assert len(rows) == 10
    assert all(Path(row["original_path"]) in before for row in rows)
    assert rows[0]["size"] == len(before[Path(rows[0]["original_path"])][0])


@pytest.mark.parametrize("emptied", [False, True])
def test_a_lost_store_is_recovered_and_the_files_restored(lost, library, emptied):
    place, before = lost
    if emptied:
        place.write_bytes(b"")
    with Catalog.open(place, new_store=True) as cat:
        result = cat.files.recover()
        assert len(result.events) == 3
        assert result.left == ()
        assert cat.files.recover().events == ()  # nothing is left to do
        cat.scan([library], n_jobs=1)
        assert [hit.state for hit in cat.hits(states=("aside",))] == ["aside"] * 3
        undone = cat.files.undo(everything=True)
        assert undone.left == ()
        assert snapshot(library) == before
        assert not cat.scan([library], n_jobs=1).missing
        assert len(cat.similar(1, 2)) == 2


def test_a_file_without_a_line_in_the_journal_is_reported(lost):
    place, _ = lost
    (Path(f"{place}.aside") / "7").mkdir()
    stray = Path(f"{place}.aside") / "7" / "stray.wav"
    stray.write_bytes(b"x")
    with Catalog.open(place, new_store=True) as cat:
        (left,) = cat.files.recover().left
    assert left[0] == stray


def test_a_new_store_beside_files_set_aside_is_not_opened_in_silence(lost, library, capsys):
    place, _ = lost
    with pytest.raises(StoreError, match="3 files are set aside"):
        Catalog.open(place)
    assert not place.exists()
    assert main(["scan", str(library), "--store", str(place), "--jobs", "1"]) == 2
    assert "3 files are set aside" in capsys.readouterr().err
    assert main(["recover", "--store", str(place)]) == 0
    assert "3 recovered, 0 not" in capsys.readouterr().out
    assert main(["scan", str(library), "--store", str(place), "--jobs", "1"]) == 0


def test_a_new_store_can_be_started_on_purpose(lost, library):
    place, _ = lost
    options = ["--store", str(place), "--jobs", "1"]
    assert main(["scan", str(library), *options, "--new-store"]) == 0
    assert main(["hits", "--store", str(place)]) == 0


@pytest.mark.skipif(os.name != "posix", reason="such names are possible on POSIX only")
@pytest.mark.parametrize("name", [b"\xff\xfe 1.wav", b"a\nb.wav", "é.wav".encode()])
def test_a_path_of_any_bytes_is_read_as_written(tmp_path, name):
    home = Path(os.fsdecode(b"/disk/" + name))
    aside = os.fsdecode(b"5/" + name)
    append_entry(tmp_path, AsideEntry("set aside", "begun", 5, home, aside, "ab", "r", 3, 4))
    with (tmp_path / JOURNAL_NAME).open("ab") as file:
        file.write(b'{"cut of')
    append_entry(tmp_path, AsideEntry("restore", "begun", 6, home, "6/x", "ab", "r", 3, 4))
    entries = read_entries(tmp_path)
    assert (entries[aside].home, entries[aside].hit_id) == (home, 5)
    assert set(entries) == {aside, "6/x"}
