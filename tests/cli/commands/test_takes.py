"""Takes with several microphones on the command line: which strokes and files are printed."""

from __future__ import annotations

import re

import pytest

from catalog.__main__ import main
from tests.library.strokes.test_polyphonic import NAMES, make_take, write


@pytest.fixture
def run(tmp_path, capsys):
    """Scan a take of four strokes through three microphones; return a function for commands."""
    place = tmp_path / "barn" / "snare take 1.wav"
    write(place, make_take(), NAMES)

    def call(*arguments):
        code = main([*map(str, arguments), "--store", str(tmp_path / "drums.sqlite")])
        assert code == 0
        return capsys.readouterr()

    call("scan", place.parent, "--jobs", "1")
    return call


def test_takes_list_the_strokes_and_no_other_microphone(run):
    assert run("takes").out.startswith("   4 strokes, hits 1, 4, 7, 10  ")


def test_a_plan_names_the_strokes_and_an_export_the_strokes_without_the_microphone(run, tmp_path):
    (tmp_path / "attic").mkdir()
    write(tmp_path / "attic" / "kick.wav", make_take()[: 2 * 48_000, :1])
    run("scan", tmp_path / "attic", "--jobs", "1")
    run("fill", "kick=13", "snare=4", "--slots", "kick,snare", "--layers", "--save", "dry")
    short = run("export", "dry", tmp_path / "out", "--microphone", "oh", "--plan").out
    plan = run("export", "dry", tmp_path / "out", "--microphone", "oh", "--plan", "--all").out
    n = plan.count("snare take 1.wav #")
    assert re.search(rf"^snare +38.* {n} +[+-]\d+\.\d dB$", short, re.MULTILINE)
    assert n > 1
    warning = f"check 1 of {n + 1} strokes have no microphone 'oh'"
    assert warning in plan
    assert warning in short
    assert "zip" not in short
    zipped = run("export", "dry", tmp_path / "out", "--plan", "--zip").out
    assert f"also as one zip file: {tmp_path / 'out.zip'}" in zipped
    written = run("export", "dry", tmp_path / "out", "--microphone", "oh")
    assert warning in written.err
    assert len(written.out.splitlines()) == 1


def test_a_filled_slot_is_one_line_with_its_number_of_strokes_or_all_of_them(run):
    fill = ("fill", "snare=4", "--slots", "snare", "--layers")
    short, whole = run(*fill).out.splitlines(), run(*fill, "--all").out.splitlines()
    assert short[0].split()[-1] == "strokes"
    n = int(short[1].split()[-1])
    assert n > 1
    assert sum(line.startswith("snare ") for line in whole) == n
    assert sum(line.startswith("snare ") for line in short) == 1
