"""Exported kits in scanned folders: left out, reported, and never kept in place of an original."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from catalog import Catalog, ParameterError
from catalog.__main__ import main
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from catalog.library.store.store import Store
from tests.signals import SR, as_frames, drum_stroke

NAMES = ("kick_01", "kick_02", "snare_01", "snare_02")
FLOAT = ExportOptions("FLOAT")  # without the manifest such files are preferred over 16 bits


@pytest.fixture
def lib(tmp_path) -> Path:
    """Return a folder with four originals of 16 bits."""
    root = tmp_path / "lib"
    root.mkdir()
    for number, name in enumerate(NAMES):
        data = encode_wav(
            as_frames(drum_stroke(60 + 45 * number, seed=number)), sr=SR, subtype="PCM_16"
        )
        (root / f"{name}.wav").write_bytes(data)
    return root


@pytest.fixture
def cat(lib, tmp_path):
    with Catalog.open(tmp_path / "drums.sqlite") as opened:
        opened.scan([lib], n_jobs=1)
        yield opened


@pytest.fixture
def kit(cat) -> Kit:
    ids = {hit.name: hit.id for hit in cat.hits()}
    slots = {"kick": (ids["kick_01"], ids["kick_02"]), "snare": (ids["snare_01"], ids["snare_02"])}
    return Kit("evening", slots)


def own(cat) -> set[int]:
    return {hit.id for hit in cat.hits() if hit.name in NAMES}


def test_an_exported_kit_is_left_out_and_counted(cat, kit, lib, tmp_path, capsys):
    cat.export_kit(kit, lib / "kit", FLOAT)
    report = cat.scan([lib], n_jobs=1)
    ((folder, name, n_files, reason),) = report.left_out
    assert (folder, name, n_files) == (lib / "kit", "evening", 5)  # with the phrase
    assert "manifest.json lists them as the exported kit “evening”" in reason
    assert (len(report.added), len(report.unchanged), report.skipped) == (0, 4, ())
    assert cat.scan([lib], n_jobs=1) == report
    assert main(["scan", str(lib), "--store", str(tmp_path / "drums.sqlite")]) == 0
    out = capsys.readouterr().out
    assert f"left out: {lib / 'kit'}: 5 files; manifest.json" in out
    assert out.endswith("0 skipped, 5 left out (exported kits)\n")


@pytest.mark.parametrize("inside", ["kit", "kit/hits"])
def test_an_exported_kit_is_left_out_where_its_folder_itself_is_scanned(cat, kit, lib, inside):
    cat.export_kit(kit, lib / "kit")
    report = cat.scan([lib / inside], n_jobs=1)
    assert (len(report.added), report.left_out[0].path) == (0, lib / "kit")


def test_files_of_an_export_that_were_scanned_are_never_kept(cat, kit, lib):
    originals = own(cat)
    cat.kits.save(kit, "evening")
    cat.export_kit(kit, lib / "kit", FLOAT)
    assert len(cat.scan([lib], n_jobs=1, exports=True).added) == 5
    cat.kits.delete("evening")
    groups = cat.copies()
    assert {group.keep for group in groups} == originals
    assert all(cat.hit(i).exported for group in groups for i in group.others)
    assert "the other is a file of an exported kit" in groups[0].reason
    with pytest.raises(ParameterError, match="exported kit “evening”: the original, hit"):
        cat.duplicates.keep(groups[0].others[0])
    report = cat.scan([lib], n_jobs=1)  # what is in the store stays there
    assert (len(report.unchanged), report.missing, report.left_out) == (9, (), ())


def test_removing_copies_moves_neither_originals_nor_files_of_the_kit(cat, kit, lib, tmp_path):
    cat.kits.save(kit, "evening")
    cat.export_kit(kit, lib / "kit", FLOAT)
    cat.scan([lib], n_jobs=1, exports=True)
    cat.kits.delete("evening")
    before = sorted(path for path in lib.rglob("*") if path.is_file())
    main(["set-aside", "--copies", "--yes", "--store", str(tmp_path / "drums.sqlite")])
    assert sorted(path for path in lib.rglob("*") if path.is_file()) == before
    stays = cat.files.obstacles([g.others[0] for g in cat.copies()], keep_exports=True)
    assert "is a file of the exported kit “evening”, which would be incomplete" in str(stays)


@pytest.mark.parametrize("mark", ["spare", "master"])
def test_a_mark_on_a_file_of_an_export_does_not_make_it_the_original(cat, kit, lib, mark):
    originals = own(cat)
    cat.export_kit(kit, lib / "kit", FLOAT)
    cat.scan([lib], n_jobs=1, exports=True)
    cat.annotations.mark([hit.id for hit in cat.hits() if hit.exported], mark)
    assert {group.keep for group in cat.copies()} == originals


def test_a_store_that_holds_files_of_an_export_already_finds_the_manifest(cat, kit, lib, tmp_path):
    """Files that were scanned before manifests were read, with a choice of the user."""
    cat.export_kit(kit, lib / "kit", FLOAT)
    (lib / "kit" / "manifest.json").rename(tmp_path / "manifest.json")
    with Catalog.open(tmp_path / "other.sqlite") as other:
        other.scan([lib], n_jobs=1)
        assert not any(hit.exported for hit in other.hits())
        exported = {h.id for h in other.hits() if h.path.parent.name == "hits"}
        assert {group.keep for group in other.copies()} & exported
        chosen = next(g.keep for g in other.copies() if g.keep in exported)
        other.duplicates.keep(chosen)
    (tmp_path / "manifest.json").rename(lib / "kit" / "manifest.json")
    with Catalog.open(tmp_path / "other.sqlite") as other:
        assert {group.keep for group in other.copies()} == own(other)
        assert {hit.id for hit in other.hits() if hit.exported} >= exported


def test_a_moved_export_and_its_hits_are_recognized(cat, kit, lib, tmp_path):
    cat.export_kit(kit, lib / "kit", FLOAT)
    (lib / "kit").rename(lib / "sent away")
    with Catalog.open(tmp_path / "other.sqlite") as other:
        assert other.scan([lib], n_jobs=1).left_out[0].path == lib / "sent away"
        other.scan([lib], n_jobs=1, exports=True)
        marked = next(hit.id for hit in other.hits() if hit.exported)
        other.annotations.mark([marked], "master")
        (lib / "sent away").rename(lib / "back")
        report = other.scan([lib], n_jobs=1)
        assert (len(report.moved), report.missing) == (5, ())
        assert (other.hit(marked).mark, other.hit(marked).exported) == ("master", True)
        assert {group.keep for group in other.copies()} == own(other)


def test_an_edited_file_and_one_that_was_added_are_scanned(cat, kit, lib):
    cat.export_kit(kit, lib / "kit")
    hits = sorted((lib / "kit" / "hits").iterdir())
    audio = decode_file(hits[0])
    hits[0].write_bytes(encode_wav(audio.samples * 0.5, sr=audio.sr))
    shutil.copy(lib / "kick_01.wav", lib / "kit" / "hits" / "mine.wav")
    report = cat.scan([lib], n_jobs=1)
    assert {path.name for path in report.added} == {hits[0].name, "mine.wav"}
    assert report.left_out[0].n_files == 4


def change_manifest(folder: Path, change) -> None:
    path = folder / "manifest.json"
    parts = json.loads(path.read_text(encoding="utf-8"))
    change(parts)
    path.write_text(json.dumps(parts), encoding="utf-8")


def _say_nonsense(parts) -> None:
    parts.pop("phrase")
    for row in parts["files"]:
        row["sha256"] = "0" * 64


def _name_files_outside(parts) -> None:
    parts.pop("phrase")
    for row in parts["files"]:
        row["file"] = f"../{Path(row['source_file']).name}"
        row["sha256"], row["source_sha256"] = row["source_sha256"], row["sha256"]


def _name_the_originals(parts) -> None:
    parts.pop("phrase")
    for row in parts["files"]:
        row["sha256"] = row["source_sha256"]


@pytest.mark.parametrize(
    "forge",
    [
        _say_nonsense, _name_files_outside, _name_the_originals,
        lambda parts: parts.update(files=3), lambda parts: parts.update(files=[3, None]),
        lambda parts: parts.pop("kit"), lambda parts: parts.update(manifest_version=0),
        lambda parts: parts.update(phrase=[]),
    ],
)  # fmt: skip
def test_a_forged_manifest_hides_nothing(cat, kit, lib, tmp_path, forge):
    cat.export_kit(kit, lib / "kit")
    change_manifest(lib / "kit", forge)
    with Catalog.open(tmp_path / "other.sqlite") as other:
        report = other.scan([lib], n_jobs=1)
        assert (len(report.added), report.left_out) == (9, ())
        assert not any(hit.exported for hit in other.hits())


@pytest.mark.parametrize(
    "data", [b"", b"[" * 100_000, b"null", b'{"files": []}', b"\xff", b'"manifest"', b"[{}]"]
)
def test_a_manifest_of_another_kind_is_no_obstacle(cat, lib, data):
    (lib / "manifest.json").write_bytes(data)
    report = cat.scan([lib], n_jobs=1)
    assert (len(report.unchanged), report.left_out, report.skipped) == (4, (), ())


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_with_the_name_of_a_manifest_does_not_block(cat, lib):
    os.mkfifo(lib / "manifest.json")
    assert len(cat.scan([lib], n_jobs=1).unchanged) == 4


def test_a_manifest_without_the_phrase_leaves_the_phrase_out_as_well(cat, kit, lib, tmp_path):
    """The first version of the manifest did not list the phrase."""
    cat.export_kit(kit, lib / "kit")
    change_manifest(lib / "kit", lambda parts: parts.pop("phrase"))
    with Catalog.open(tmp_path / "other.sqlite") as other:
        report = other.scan([lib], n_jobs=1)
        assert (len(report.added), report.left_out[0].n_files) == (4, 5)


def test_the_contents_of_an_export_are_recorded_when_it_is_written(cat, kit, lib, tmp_path):
    cat.export_kit(kit, tmp_path / "elsewhere", FLOAT)
    shutil.copytree(tmp_path / "elsewhere" / "hits", lib / "loose")  # without the manifest
    cat.scan([lib], n_jobs=1)
    assert {group.keep for group in cat.copies()} == own(cat)


def test_files_left_out_are_not_read_again(cat, kit, lib, monkeypatch):
    from catalog.library.scan import exports

    cat.export_kit(kit, lib / "kit")
    report = cat.scan([lib], n_jobs=1)
    read: list[str] = []
    monkeypatch.setattr(exports, "hash_file", lambda path: read.append(path) or "")
    assert cat.scan([lib], n_jobs=1) == report
    assert read == []


def test_rows_of_files_that_are_scanned_later_are_removed(cat, kit, lib, tmp_path):
    cat.export_kit(kit, lib / "kit")
    cat.scan([lib], n_jobs=1)
    with Store.open(tmp_path / "drums.sqlite") as store:
        assert len(store.exports.read_left_out()) == 5
    (lib / "kit" / "manifest.json").unlink()
    assert len(cat.scan([lib], n_jobs=1).added) == 5
    assert len(cat.scan([lib], n_jobs=1).unchanged) == 9
    assert {group.keep for group in cat.copies()} == own(cat)
