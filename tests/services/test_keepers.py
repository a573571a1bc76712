"""Which file of several copies stays, through `Catalog` and the command line."""

from __future__ import annotations

import json

import numpy as np
import pytest

from catalog import Catalog
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
