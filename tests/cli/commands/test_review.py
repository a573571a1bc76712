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
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def test_faults_can_be_listed_dismissed_and_listed_again(store, capsys):
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


def test_an_unknown_kind_of_fault_is_refused_and_the_known_kinds_are_listed(store, capsys):
    code, _, err = run(capsys, "--store", store, "dismiss", "ugly", "1")
    assert code == 2
    assert "known are clipped" in err


def test_coverage_is_printed_as_a_list_or_as_json(store, capsys):
    out = run(capsys, "--store", store, "coverage", "--all")[1]
    assert "To record:" in out
    assert "[ ] no soft strokes of snare (loft)" in out
    coverage = json.loads(run(capsys, "--store", store, "--json", "coverage")[1])
    assert sum(cell["n_hits"] for cell in coverage["cells"]) == 3
    assert {"words", "kind", "session", "drum", "role"} == set(coverage["holes"][0])
