"""Absurd numbers and names on the command line: one sentence, exit code 2, nothing changed."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from tests.web.conftest import make_stroke

SR = 44100
HUGE = 10**20  # has more than the 64 bits of SQLite's integers


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Path:
    """A store of one kick and one snare with a saved kit."""
    folder = tmp_path_factory.mktemp("attic")
    for role in ("kick", "snare"):
        data = encode_wav(make_stroke(role, 3), sr=SR, subtype="PCM_24")
        (folder / f"{role}_1.wav").write_bytes(data)
    place = folder.parent / "attic.sqlite"
    with Catalog.open(place) as cat:
        cat.scan([folder], n_jobs=1)
        cat.kits.save(cat.fill_kit({}, ["kick"]), "evening")
    return place


@pytest.mark.parametrize(
    "line",
    [
        *(f"{command} {HUGE}" for command in (
            "show", "alternates", "similar", "related", "regions", "microphones", "restore", "hide",
            "unhide", "set-aside --yes", "keep", "mark master", "tag --add dry", "session attic",
            "same 1", "align 1", "dismiss hum",
        )),
        f"role kick {HUGE}",
        "regions 1 --split nan",
        "regions 1 --split 1e308",
        "regions 1 --move nan inf",
        "fill --slots kick --seed -1",
        "map --seed -1",
        "phrase evening new.wav --rate -1",
        "export evening /",
        "export evening " + "d/" * 1500 + "kit",
        "adjust evening kick --level nan",
        "faults --least nan",
        "tag 1 --remark \udcff",
        "scan ''",
    ],
)  # fmt: skip
def test_an_invalid_argument_is_refused_in_one_sentence(store, line, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with Catalog.open(store) as cat:
        before = cat.revision(), cat.hits(), cat.history()
    try:
        code = main(["--store", str(store), *shlex.split(line)])
    except SystemExit as stop:  # argparse
        code = stop.code
    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    assert err.strip()
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []
    with Catalog.open(store) as cat:
        assert (cat.revision(), cat.hits(), cat.history()) == before
