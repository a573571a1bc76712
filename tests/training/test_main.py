"""The commands on a small table: each writes its files."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from catalog.audio.encode import encode_wav
from catalog.training import __main__ as training
from catalog.training import copies, pairs
from catalog.training.takes import drums, voices
from tests.signals import SR, as_frames, decaying_noise, drum_stroke

COLUMNS = ("path", "source", "kit", "instrument", "role", "duplicate_of", "layer")
FILES = (
    "MODEL_FILE", "SPACES_FILE", "CLASSIFIER_FILE", "SPACE_FILE", "STRENGTH_FILE", "STROKES_FILE",
    "VOICES_FILE",
)  # fmt: skip


@pytest.fixture
def table(tmp_path, monkeypatch) -> Path:
    """A table of 12 hits from two sources; results are written beside it."""
    path = tmp_path / "labels.csv"
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(COLUMNS)
        for source in ("a", "b"):
            for layer in (1, 2, 3):
                for role in ("kick", "hat_closed"):
                    seed = layer + 10 * (source == "b")
                    kick = drum_stroke(55, seed=seed, strength=layer / 3)
                    y = kick if role == "kick" else decaying_noise(0.06, seed=seed)
                    name = f"{source}{layer}{role}.wav"
                    (tmp_path / name).write_bytes(encode_wav(as_frames(y), sr=SR))
                    rows.writerow([name, source, source, role, role, "", layer])
        rows.writerow(["missing.wav", "a", "a", "kick", "kick", "a1kick.wav", ""])
    for name in FILES:
        monkeypatch.setattr(training, name, tmp_path / f"{name}.npz")
    monkeypatch.setattr(copies, "N_TREES", 3)
    monkeypatch.setattr(training, "N_TAKES", 4)
    for name in ("N_TAKES", "N_ROLLS", "N_SYLLABLES"):
        monkeypatch.setattr(voices, name, 4)
    monkeypatch.setattr(drums, "N_PLAIN", 4)
    monkeypatch.setattr(drums, "N_PER_ROLE", 1)
    for name, n in {"N_HITS": 1, "N_DULL_HITS": 1, "N_SINGLE": 4, "N_DOUBLE": 2}.items():
        monkeypatch.setattr(pairs, name, n)  # 700 pairs and seven fits of 200 trees take a minute
    return path


@pytest.mark.parametrize(
    ("command", "written", "printed"),
    [
        ("roles", {"MODEL_FILE"}, "12 hits of 2 sources"),
        ("spaces", {"SPACES_FILE"}, "12 hits"),
        ("strength", {"STRENGTH_FILE"}, "b: 2 drums"),
        ("strokes", {"STROKES_FILE"}, "other rises of other sources"),
        ("voices", {"VOICES_FILE"}, "other sounds are recognized"),
        ("copies", {"CLASSIFIER_FILE", "SPACE_FILE"}, "pairs of other strokes"),
    ],
)
def test_each_command_writes_its_files(table, capsys, command, written, printed):
    assert training.main([command, str(table), str(table.parent)]) == 0
    assert printed in capsys.readouterr().out
    assert {path.stem for path in table.parent.glob("*.npz")} == written


def test_a_table_without_a_folder_is_refused(table, capsys):
    with pytest.raises(SystemExit):
        training.main(["roles", str(table)])
    assert "each table of labels needs a folder after it" in capsys.readouterr().err
