"""Which file of several copies stays, through `Catalog` and the command line."""

from __future__ import annotations

import json

import numpy as np
import pytest

from catalog import Catalog, KitError
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from tests.signals import SR, as_frames, drum_stroke


def write(path, samples, subtype="PCM_24"):
    path.parent.mkdir(parents=True, exist_ok=True)
    data = encode_wav(as_frames(np.asarray(samples, np.float32)), sr=SR, subtype=subtype)
    path.write_bytes(data)


def strokes(n):
    rng = np.random.default_rng(3)
    for seed in range(n):
        stroke = np.concatenate([np.zeros(500), 0.4 * drum_stroke(150 + 40 * seed, seed=seed)])
        yield stroke + 2e-5 * rng.normal(size=len(stroke))


def kept_paths(store, roots):
    with Catalog.open(store) as cat:
        cat.scan(roots, n_jobs=1)
        groups = cat.copies()
        return {cat.hit(g.keep).path.parent.name: g.reason for g in groups}, len(groups)


@pytest.mark.parametrize("gain_db", [-8.0, -20.0])
def test_masters_stay_before_padded_bounces_of_16_bits(tmp_path, gain_db):
    for number, stroke in enumerate(strokes(3)):
        write(tmp_path / "session" / f"hit {number}.wav", stroke)
        quiet = stroke * 10 ** (gain_db / 20)
        padded = np.concatenate([np.zeros(4800), quiet, np.zeros(9600)])
        write(tmp_path / "a_drums" / f"hit {number}.wav", padded, "PCM_16")
    kept, n = kept_paths(tmp_path / "x.sqlite", [tmp_path])
    assert (set(kept), n) == ({"session"}, 3)
    assert "16 bits" in kept["session"]
    assert "microphone" not in kept["session"]  # each hit has one


def test_equal_files_stay_in_the_preferred_folder_and_not_among_exports(tmp_path, capsys):
    for folder in ("bounces", "session", "old drive"):
        for number, stroke in enumerate(strokes(2)):
            write(tmp_path / "lib" / folder / f"hit {number}.wav", stroke)
    store = tmp_path / "x.sqlite"
    assert "bounces" not in kept_paths(store, [tmp_path / "lib"])[0]
    prefer = ["--all", "--prefer", str(tmp_path / "lib" / "session")]
    assert main(["copies", *prefer, "--store", str(store)]) == 0
    assert "preferred folder session" in capsys.readouterr().out
    with Catalog.open(store) as cat:
        assert {cat.hit(g.keep).path.parent.name for g in cat.copies()} == {"session"}
        cat.duplicates.prefer_folders([])
        assert {cat.hit(g.keep).path.parent.name for g in cat.copies()} == {"old drive"}


def test_setting_copies_aside_a_second_time_moves_nothing(tmp_path, capsys):
    rng = np.random.default_rng(8)
    for number, stroke in enumerate(strokes(3)):
        for copy in range(9):  # more than the nearest neighbors that are compared
            gain = 10 ** rng.uniform(-1, 0)
            write(tmp_path / "lib" / f"{copy} {number}.wav", gain * stroke)
    store = tmp_path / "x.sqlite"
    with Catalog.open(store) as cat:
        cat.scan([tmp_path / "lib"], n_jobs=1)
    assert main(["set-aside", "--copies", "--yes", "--json", "--store", str(store)]) == 0
    assert len(json.loads(capsys.readouterr().out)) == 24
    assert main(["set-aside", "--copies", "--yes", "--store", str(store)]) != 0
    assert "nothing to set aside" in capsys.readouterr().err


@pytest.fixture
def cat(tmp_path):
    """Three snares, each with a copy in another folder, and a clipped kick beside a good one."""
    for number, stroke in enumerate(strokes(3)):
        write(tmp_path / "lib" / "session" / f"snare {number}.wav", stroke)
        write(tmp_path / "lib" / "bounces" / f"snare {number}.wav", stroke)
    write(tmp_path / "lib" / "session" / "kick.wav", 0.5 * drum_stroke(60, seed=9))
    loud = np.clip(6.0 * drum_stroke(70, seed=11), -1.0, 0.99)
    write(tmp_path / "lib" / "session" / "kick loud.wav", loud)
    with Catalog.open(tmp_path / "x.sqlite") as cat:
        cat.scan([tmp_path / "lib"], n_jobs=1)
        yield cat


def test_lists_show_each_recording_once_with_the_number_of_its_copies(cat):
    snare = next(hit for hit in cat.hits() if hit.name == "snare 0")
    for search in (cat.search.alternates, cat.search.similar):
        found = {m.hit.path.parent.name + "/" + m.hit.name: m.n_copies for m in search(snare.id)}
        assert {"session/snare 1": 1, "session/snare 2": 1}.items() <= found.items()
        assert not any(name.startswith("bounces") for name in found)
        assert len(search(snare.id, copies=True)) == 7


def test_lists_fold_softer_copies_before_all_hits_are_compared(tmp_path):
    for number, stroke in enumerate(strokes(3)):
        write(tmp_path / "session" / f"snare {number}.wav", stroke)
        write(tmp_path / "softer" / f"snare {number}.wav", 0.5 * stroke)
    with Catalog.open(tmp_path / "x.sqlite") as cat:
        cat.scan([tmp_path], n_jobs=1)
        assert not cat.duplicates.were_searched
        snare = next(hit for hit in cat.hits() if hit.name == "snare 0")
        for search in (cat.search.alternates, cat.search.similar):
            found = {m.hit.name: m.n_copies for m in search(snare.id)}
            assert found == {"snare 1": 1, "snare 2": 1}
        by_file = cat.similar(tmp_path / "session" / "snare 0.wav")
        by_id = [m.hit_id for m in cat.similar(snare.id)]
        assert [m.hit_id for m in by_file] == [snare.id, *by_id]


def test_kits_use_neither_copies_nor_faulty_hits_unless_asked(cat):
    ids = {hit.name: hit.id for hit in cat.hits() if hit.path.parent.name == "session"}
    kits = cat.kits.fill_several({}, ["kick", "snare"], n=9)
    paths = {cat.hit(i[0]).path for kit in kits for i in kit.slots.values()}
    assert {path.parent.name for path in paths} == {"session"}
    assert "kick loud" not in {path.stem for path in paths}
    with pytest.raises(KitError, match="no other hit"):
        cat.kits.swap(kits[0], "kick")
    assert cat.kits.swap(kits[0], "kick", hit_id=ids["kick loud"]).slots["kick"][0]


def test_a_faulty_hit_fills_a_slot_that_no_other_hit_can_fill_with_a_warning(cat):
    ids = {hit.name: hit.id for hit in cat.hits()}
    cat.annotations.mark([ids["kick"]], "no-good")
    kit = cat.fill_kit({}, ["kick"])
    assert kit.slots["kick"] == (ids["kick loud"],)
    assert any("has a fault" in line for line in cat.kits.fill_warnings(kit, ["kick"]))


def test_copies_are_no_drums_of_the_coverage_once_they_were_searched_for(tmp_path, capsys):
    store = tmp_path / "x.sqlite"
    for number, stroke in enumerate(strokes(2)):
        write(tmp_path / "lib" / "barn" / f"snare {number}.wav", stroke)
        write(tmp_path / "lib" / "bounces" / f"snare {number} final.wav", 0.5 * stroke, "PCM_16")
    with Catalog.open(store) as cat:
        cat.scan([tmp_path / "lib"], n_jobs=1)
        assert {cell.session for cell in cat.review.coverage().bins} == {"barn", "bounces"}
        assert main(["coverage", "--store", str(store)]) == 0
        assert "`catalog copies`" in capsys.readouterr().out
        cat.copies()
        coverage = cat.review.coverage()
        assert {(cell.session, cell.n_hits) for cell in coverage.bins} == {("barn", 2)}
        assert "bounces" not in {gap.session for gap in coverage.gaps}
    assert main(["coverage", "--store", str(store)]) == 0
    assert "`catalog copies`" not in capsys.readouterr().out
