"""Finished mixes of the microphones of one stroke, found in a library."""

from __future__ import annotations

import json

import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from tests.matching.test_mixes import SR, microphones, mix

NAMES = ("top", "room", "oh")


@pytest.fixture(scope="module")
def cat(tmp_path_factory):
    """Return three strokes through three microphones, a mix of the second, and another hit."""
    folder = tmp_path_factory.mktemp("mixed") / "barn"
    (folder / "finished").mkdir(parents=True)
    for stroke in (1, 2, 3):
        for name, audio in zip(NAMES, microphones(stroke), strict=True):
            path = folder / f"snare_{stroke:02d}_{name}.wav"
            path.write_bytes(encode_wav(audio.samples, sr=SR))
    made = {
        "final": mix(microphones(2), [[0.9], [0.45], [0.3]], [0, 0, 0]),
        "other": mix(microphones(9), [[0.9], [0.45], [0.3]], [0, 0, 0]),
    }
    for name, audio in made.items():
        path = folder / "finished" / f"SN {name}.wav"
        path.write_bytes(encode_wav(audio.samples, sr=SR))
    with Catalog.open(folder.parent / "drums.sqlite") as opened:
        opened.scan([folder], n_jobs=1)
        yield opened


def test_a_finished_mix_is_found_with_the_level_of_each_microphone(cat):
    (found,) = cat.duplicates.mixes()
    assert cat.hit(found.hit_id).path.stem == "SN final"
    microphone_names = {m.path.stem for m in cat.hit(found.stroke_id).microphones}
    assert microphone_names == {f"snare_02_{name}" for name in NAMES}
    energies = [
        gain**2 * float((audio.samples.astype(np.float64) ** 2).sum())
        for gain, audio in zip((0.9, 0.45, 0.3), microphones(2), strict=True)
    ]
    expected = 10 * np.log10(np.array(energies) / max(energies))
    assert [found.levels_db[name] for name in NAMES] == pytest.approx(expected, abs=0.5)


def test_the_command_lists_mixes(cat, capsys):
    store = ["--store", str(cat.store_path)]
    assert main([*store, "--json", "mixes"]) == 0
    assert len(json.loads(capsys.readouterr().out)) == 1
    assert main([*store, "mixes"]) == 0
    assert "1 mixes" in capsys.readouterr().out


def test_hits_are_compared_in_batches_with_one_result(cat, monkeypatch):
    whole = cat.duplicates.mixes()
    monkeypatch.setattr("catalog.duplicates.mixes.HITS_AT_ONCE", 1)
    assert cat.duplicates.mixes() == whole
