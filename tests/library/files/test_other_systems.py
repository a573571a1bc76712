"""Files keep their hits and stay whole on file systems like those of macOS and Windows."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.errors import CatalogError
from catalog.library.files.atomic import write_new_file
from catalog.library.files.copy_out import name_copies
from catalog.library.files.moves import move_file
from catalog.library.scan.walk import hash_file
from catalog.models import Hit
from tests.file_systems import FoldingNames, folding_names, held_files, refuse_links

__all__ = ["folding_names", "held_files"]  # fixtures
CAFE = "Café"  # composed
DECOMPOSED = unicodedata.normalize("NFD", CAFE)


@pytest.fixture
def library(tmp_path: Path, folding_names: FoldingNames, write_hit) -> Path:
    """Return a folder with two hits of a session, on a disk that folds names."""
    folder = tmp_path / "Recordings"
    for at in (1, 2):
        path = folding_names.on_disk(folder / CAFE / f"Caisse fermé {at}.wav")
        write_hit(Path(str(path)), seed=at)
    assert os.listdir(folder) == [DECOMPOSED]
    return folder


def scan(cat: Catalog, *folders: Path):
    return cat.scan(folders, n_jobs=1)


def test_a_folder_typed_in_another_case_or_form_is_the_same_folder(tmp_path, library):
    with Catalog.open(tmp_path / "store.sqlite") as cat:
        assert len(scan(cat, library).added) == 2
        for name in ("recordings", "RECORDINGS"):
            report = scan(cat, tmp_path / name)
            assert (len(report.unchanged), len(report.added), len(report.missing)) == (2, 0, 0)
        for name in (CAFE, DECOMPOSED, "CAFÉ"):
            report = scan(cat, library / name)
            assert (len(report.unchanged), len(report.added), len(report.missing)) == (2, 0, 0)
        assert [folder.path for folder in cat.folders()][-1] == str(library)


def test_names_are_found_in_either_form_and_sessions_are_composed(tmp_path, library):
    with Catalog.open(tmp_path / "store.sqlite") as cat:
        scan(cat, library)
        for word in ("fermé", unicodedata.normalize("NFD", "fermé")):
            assert len(cat.hits(name=f"*{word}*")) == 2
            assert len(cat.hits(words=word)) == 2
            assert len(cat.hits(session=unicodedata.normalize("NFD", CAFE))) == 2
        assert {hit.session for hit in cat.hits()} == {CAFE}


@pytest.mark.parametrize("error", [None, PermissionError, NotImplementedError])
def test_set_aside_and_restore_bring_each_file_back(tmp_path, library, monkeypatch, error):
    if error is not None:
        refuse_links(monkeypatch, error)
    before = {path.name: hash_file(path) for path in (library / DECOMPOSED).iterdir()}
    with Catalog.open(tmp_path / "store.sqlite") as cat:
        scan(cat, library)
        ids = [hit.id for hit in cat.hits()]
        cat.set_aside(ids, reason="too soft")
        assert os.listdir(library / DECOMPOSED) == []
        cat.restore(ids)
        assert [hit.id for hit in cat.hits()] == ids
    after = {path.name: hash_file(path) for path in (library / DECOMPOSED).iterdir()}
    assert after == before


def test_a_file_that_another_program_holds_stays_where_it_is(tmp_path, write_hit, held_files):
    path = write_hit(tmp_path / "recordings" / "snare 1.wav")
    content = hash_file(path)
    with Catalog.open(tmp_path / "store.sqlite") as cat:
        scan(cat, tmp_path / "recordings")
        held_files.hold(path)
        with pytest.raises(CatalogError, match="used by another process"):
            cat.set_aside([cat.hits()[0].id], reason="too soft")
        assert [hit.state for hit in cat.hits()] == ["here"]
    assert hash_file(path) == content
    assert list(tmp_path.rglob("*.wav")) == [path]


def test_a_short_hold_by_a_virus_scanner_does_not_stop_an_export(tmp_path, held_files):
    target = tmp_path / "report.txt"
    held_files.hold(target, n_calls=2)
    write_new_file(target, b"text")
    assert target.read_bytes() == b"text"


def test_a_long_hold_is_an_error_and_nothing_is_written(tmp_path, held_files, monkeypatch):
    monkeypatch.setattr("catalog.library.files.atomic.HELD_S", (0.0, 0.0))
    target = tmp_path / "report.txt"
    held_files.hold(target)
    with pytest.raises(PermissionError, match="used by another process"):
        write_new_file(target, b"text")
    assert not list(tmp_path.iterdir())


def test_a_move_needs_no_hard_links_that_python_does_not_offer(tmp_path, monkeypatch):
    source, target = tmp_path / "a.wav", tmp_path / "aside" / "a.wav"
    source.write_bytes(b"sound")
    refuse_links(monkeypatch, NotImplementedError)
    move_file(source, target, content_hash=hash_file(source))
    assert target.read_bytes() == b"sound"
    assert not source.exists()


def test_names_of_copies_are_valid_and_different_on_every_system():
    """The characters and names are those of Microsoft, "Naming Files, Paths, and Namespaces"."""
    names = ["CON.wav", "con.wav", "a:b?.wav", 'say "hi"<1>|.wav', "nul", "com1.take.wav", "end. ",
             f"{CAFE}.wav", f"{DECOMPOSED}.wav", "plain.wav"]  # fmt: skip
    copies = list(name_copies([Path(f"/{at}") / name for at, name in enumerate(names)]).values())
    assert copies == [
        "CON_.wav", "con_ (2).wav", "a_b_.wav", "say _hi__1__.wav", "nul_", "com1_.take.wav", "end",
        f"{CAFE}.wav", f"{DECOMPOSED} (2).wav", "plain.wav",
    ]  # fmt: skip


def test_a_pattern_with_a_folder_matches_paths_of_windows(tmp_path, write_hit, monkeypatch):
    write_hit(tmp_path / "recordings" / "barn" / "snare 1.wav")
    with Catalog.open(tmp_path / "store.sqlite") as cat:
        scan(cat, tmp_path / "recordings")
        with cat.context.store.writing() as db:
            db.execute("UPDATE hit SET path = replace(path, '/', char(92))")
        monkeypatch.setattr("catalog.search.conditions.sql.SEPARATOR", "\\")
        assert [hit.id for hit in cat.hits(name="*barn/snare*")] == [1]
        assert not cat.hits(name="*attic/snare*")


def test_hits_are_read_from_a_folding_disk(tmp_path, library):
    with Catalog.open(tmp_path / "store.sqlite") as cat:
        scan(cat, library)
        hit: Hit = cat.hits()[0]
        assert len(cat.audio(hit.id).samples) == hit.stop - hit.start
