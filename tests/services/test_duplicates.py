"""What belongs together through `Catalog` and the command line."""

from __future__ import annotations

import json

import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from tests.signals import SR, as_frames, drum_stroke


@pytest.fixture
def call(tmp_path, capsys):
    """Two strokes of a snare through two microphones, and a weaker, turned copy of the first."""
    root = tmp_path / "barn"
    root.mkdir()
    close = [drum_stroke(180, seed=s) for s in (1, 2)]
    far = [drum_stroke(150, seed=s) for s in (3, 4)]
    sounds = {
        "snare_01_close": close[0], "snare_02_close": close[1],
        "snare_01_room": far[0], "snare_02_room": far[1],
        "old export": -0.5 * close[0],
    }  # fmt: skip
    for name, sound in sounds.items():
        data = encode_wav(as_frames(np.asarray(sound, np.float32)), sr=SR)
        (root / f"{name}.wav").write_bytes(data)
    store = tmp_path / "drums.sqlite"
    with Catalog.open(store) as cat:
        cat.scan([root], n_jobs=1)
        ids = {hit.name: hit.id for hit in cat.hits(microphones=True)}

    def run(*arguments):
        code = main([str(ids.get(a, a)) for a in arguments] + ["--store", str(store)])
        return code, capsys.readouterr().out

    run.ids = ids
    return run


def test_strokes_through_several_microphones_are_listed(call):
    code, out = call("strokes")
    assert code == 0
    assert "names that differ only in the microphone" in out
    ties = json.loads(call("strokes", "--json")[1])
    ids = call.ids
    assert [tie["hits"] for tie in ties] == [
        sorted((ids[f"snare_{n}_close"], ids[f"snare_{n}_room"])) for n in ("01", "02")
    ]


def test_related_hits_are_listed_with_their_relation_and_its_reason(call):
    code, out = call("related", "snare_01_close", "--json")
    assert code == 0
    kinds = {row["hit_id"]: row["kind"] for row in json.loads(out)}
    assert kinds[call.ids["old export"]] == "copy"
    assert kinds[call.ids["snare_01_room"]] == "same stroke"
    assert kinds[call.ids["snare_02_close"]] == "same drum"
    assert call.ids["snare_01_close"] not in kinds
    assert "of the samples in common" in call("related", "snare_01_close")[1]


def test_align_prints_offset_gain_polarity_and_residue(call):
    alignment = json.loads(call("align", "snare_01_close", "old export", "--json")[1])
    assert alignment["polarity"] == -1
    assert alignment["gain_db"] == pytest.approx(20 * np.log10(0.5), abs=0.1)
    assert alignment["offset_s"] == pytest.approx(0.0, abs=1e-4)
    assert alignment["residue_db"] < -40.0
    assert "opposite polarity" in call("align", "snare_01_close", "old export")[1]


def test_five_hits_that_only_sound_alike_are_listed_by_default(tmp_path):
    folder = tmp_path / "shed"
    folder.mkdir()
    for number in range(9):
        sound = drum_stroke(80 + 25 * number, seed=number)
        name = f"{'abcdefghi'[number]}.wav"
        (folder / name).write_bytes(encode_wav(as_frames(sound), sr=SR))
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        hit_id = cat.hits()[0].id
        for relations, expected in (
            (cat.duplicates.related(hit_id), 5),
            (cat.duplicates.related(hit_id, n_alike=2), 2),
        ):
            assert [relation.kind for relation in relations] == ["alike"] * expected


@pytest.mark.parametrize("silence_s", [0.0, 0.05, 0.25, 1.0])
def test_the_offset_of_a_copy_counts_from_the_start_of_its_file(tmp_path, silence_s):
    stroke = drum_stroke(180, seed=1)
    late = np.concatenate([np.zeros(round(silence_s * SR)), 0.5 * stroke])
    for name, sound in (("first", stroke), ("second", late)):
        data = encode_wav(as_frames(np.asarray(sound, np.float32)), sr=SR)
        (tmp_path / f"{name}.wav").write_bytes(data)
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([tmp_path], n_jobs=1)
        ids = {hit.name: hit.id for hit in cat.hits()}
        pairs = (ids["first"], ids["second"]), (ids["second"], ids["first"])
        for (first, second), sign in zip(pairs, (1, -1), strict=True):
            expected = pytest.approx(sign * silence_s, abs=1 / SR)
            assert cat.duplicates.align(first, second).offset_s == expected
            assert cat.duplicates.overlay(first, second).offset_s == expected
