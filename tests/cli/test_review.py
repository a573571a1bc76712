"""The verbs for faults and coverage: what they print, and what they refuse."""

from __future__ import annotations

import json

import numpy as np
import pytest

from catalog.__main__ import main
from catalog.audio.encode import encode_audio

SR = 16_000


@pytest.fixture
def store(tmp_path, capsys):
    """Three snares of one strength, the first clipped, and their store."""
    t = np.arange(4000) / SR
    for n, gain in enumerate((2.0, 0.4, 0.4)):
        y = gain * np.sin(2 * np.pi * (200 + n) * t) * np.exp(-t / 0.02)
        samples = np.clip(y, -1, 0.999).astype(np.float32)
        path = tmp_path / "loft" / f"snare_{n}.wav"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(encode_audio(samples, sr=SR, container="WAV", subtype="PCM_24"))
    place = str(tmp_path / "s.sqlite")
    main(["--store", place, "scan", str(tmp_path / "loft"), "--jobs", "1"])
    capsys.readouterr()
    return place


def run(capsys, *arguments):
    code = main(list(arguments))
    told = capsys.readouterr()
    return code, told.out, told.err


def test_faults_are_listed_and_dismissed_and_taken_back(store, capsys):
    code, out, _ = run(capsys, "--store", store, "faults", "--kind", "clipped")
    assert code == 0
    assert "clipped" in out
    assert "snare_0" in out
    found = json.loads(run(capsys, "--store", store, "--json", "faults", "--kind", "clipped")[1])
    number = str(found[0]["hit_id"])
    assert found[0]["unit"] == "samples"
    assert "(dismissed)" in run(capsys, "--store", store, "dismiss", "clipped", number)[1]
    assert "no faults" in run(capsys, "--store", store, "faults", "--kind", "clipped")[1]
    run(capsys, "--store", store, "dismiss", "clipped", number, "--take-back")
    assert "snare_0" in run(capsys, "--store", store, "faults", "--kind", "clipped")[1]


def test_unknown_kinds_are_refused_with_those_there_are(store, capsys):
    code, _, err = run(capsys, "--store", store, "dismiss", "ugly", "1")
    assert code == 2
    assert "known are clipped" in err


def test_coverage_is_a_list_to_print_and_json_for_programs(store, capsys):
    out = run(capsys, "--store", store, "coverage")[1]
    assert "To record:" in out
    assert "[ ] no soft strokes of the snare (snare, loft)" in out
    told = json.loads(run(capsys, "--store", store, "--json", "coverage")[1])
    assert sum(cell["n_hits"] for cell in told["cells"]) == 3
    assert {"words", "kind", "session", "drum", "role"} == set(told["holes"][0])
