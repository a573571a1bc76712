"""What the user said of a recording stays with its content, wherever its file is."""

from __future__ import annotations

import os
import shutil

import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from tests.signals import SR, as_frames, drum_stroke

NAMES = ("kick_01", "snare_01", "tom_01")


@pytest.fixture
def old(tmp_path):
    """A library of three strokes."""
    root = tmp_path / "old disk" / "Cellar"
    root.mkdir(parents=True)
    for number, name in enumerate(NAMES):
        data = encode_wav(as_frames(drum_stroke(60 + 45 * number, seed=number)), sr=SR)
        (root / f"{name}.wav").write_bytes(data)
    return root


@pytest.fixture
def cat(old, tmp_path):
    with Catalog.open(tmp_path / "drums.sqlite") as opened:
        opened.scan([old], n_jobs=1)
        yield opened


@pytest.fixture
def said(cat):
    """Annotations of the first two hits, by id."""
    kick, snare, _ = cat.hits()
    cat.annotations.annotate(
        [kick.id], mark="master", role="tom", add=["dry"], remark="beater of felt"
    )
    cat.takes.set_session([kick.id], "winter")
    cat.kits.save(cat.fill_kit({"snare": snare.id}, slots=["snare"]), "evening")
    cat.duplicates.set_verdict(kick.id, snare.id, False)
    return words_of(cat, kick.id), snare.id


def words_of(cat, hit_id):
    hit = cat.hit(hit_id)
    return hit.id, hit.mark, hit.role, hit.role_source, hit.tags, hit.remark, hit.session


def copy_library(old):
    new = old.parents[1] / "new disk" / "Cellar"
    shutil.copytree(old, new)  # with times
    return new


@pytest.mark.parametrize("is_old_scanned", [True, False])
def test_annotations_and_kits_stay_with_a_library_whose_old_copy_is_removed(
    cat, old, said, is_old_scanned
):
    (kick_id, *_), snare_id = said
    new = copy_library(old)
    cat.scan([new], n_jobs=1)
    assert len(cat.hits()) == 6
    shutil.rmtree(old)
    if is_old_scanned:
        old.mkdir()
    report = cat.scan([old, new] if is_old_scanned else [new], n_jobs=1)
    assert words_of(cat, kick_id) == said[0]
    assert [cat.hit(i).path.parent for i in (kick_id, snare_id)] == [new, new]
    assert [cat.hit(i).state for i in (kick_id, snare_id)] == ["here", "here"]
    assert set(report.moved) == {cat.hit(kick_id).path, cat.hit(snare_id).path}
    assert len(report.unchanged) == 1
    assert len(report.missing) == is_old_scanned  # the hit without annotations
    assert cat.kits.plan_export(cat.kits.saved()[0], old.parents[1] / "kit").refusals == ()
    assert cat.audio(snare_id).sr == SR
    assert len(cat.context.store.pair_answers.read()) == 1
    assert cat.scan([new], n_jobs=1).moved == ()


def test_a_disk_that_comes_back_has_hits_without_annotations(cat, old, said):
    new = copy_library(old)
    cat.scan([new], n_jobs=1)
    away = old.with_name("unplugged")
    old.rename(away)
    cat.scan([new], n_jobs=1)
    away.rename(old)
    report = cat.scan([old, new], n_jobs=1)
    assert (len(report.unchanged), len(cat.hits())) == (6, 6)
    assert words_of(cat, said[0][0]) == said[0]
    assert [hit.mark for hit in cat.hits() if hit.path.parent == old] == ["", "", ""]


def test_annotations_of_both_copies_are_combined_once(cat, old, said):
    new = copy_library(old)
    cat.scan([new], n_jobs=1)
    other = next(hit for hit in cat.hits() if hit.path == new / "kick_01.wav")
    cat.annotations.annotate([other.id], mark="spare", add=["wet"])
    shutil.rmtree(old)
    cat.scan([new], n_jobs=1)
    hit = cat.hit(other.id)
    assert (hit.mark, hit.tags, hit.remark) == ("spare", ("dry", "wet"), "beater of felt")
    assert (hit.role, hit.role_source, hit.session) == ("tom", "user", "winter")
    cat.annotations.annotate([other.id], drop=["dry"], remark="")
    cat.scan([new], n_jobs=1)
    assert (cat.hit(other.id).tags, cat.hit(other.id).remark) == (("wet",), "")


def test_a_hidden_or_missing_copy_changes_no_annotation(cat, old, said):
    new = copy_library(old)
    cat.scan([new], n_jobs=1)
    cat.files.hide([said[0][0]])
    shutil.rmtree(old)
    cat.scan([new], n_jobs=1)
    copy = next(hit for hit in cat.hits() if hit.path == new / "kick_01.wav")
    assert (copy.mark, copy.remark) == ("", "")


def test_a_file_renamed_in_case_only_keeps_its_annotations(cat, old, said, monkeypatch):
    """On a disk that ignores case the old name still finds the file."""
    (old / "kick_01.wav").rename(old / "KICK_01.wav")
    lstat = os.lstat

    def fold(path, **options):
        name = os.path.basename(path)
        same = [x for x in os.listdir(old) if str(x).lower() == str(name).lower()]
        is_here = os.path.dirname(path) == str(old) and same
        return lstat(os.path.join(old, same[0]) if is_here else path, **options)

    monkeypatch.setattr(os, "lstat", fold)
    assert os.path.lexists(str(old / "kick_01.wav"))
    report = cat.scan([old], n_jobs=1)
    assert (report.moved, report.missing) == ((old / "KICK_01.wav",), ())
    assert words_of(cat, said[0][0])[:-1] == said[0][:-1]
    assert len(cat.hits()) == 3
