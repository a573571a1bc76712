from __future__ import annotations

import json
import pickle
from pathlib import Path

import pytest

from catalog.models import STATES, Mark, Role, stroke_name
from catalog.reports import LeftOut, PathNames, ScanReport


def test_names_of_a_report_read_as_paths() -> None:
    names = PathNames(["/a/kick.wav", "/a/snare.wav"])
    assert len(names) == 2
    assert names[-1] == Path("/a/snare.wav")
    assert names[:1] == (Path("/a/kick.wav"),)
    assert names == (Path("/a/kick.wav"), Path("/a/snare.wav"))
    assert names != (Path("/a"),)
    assert hash(names) == hash(PathNames(["/a/kick.wav", "/a/snare.wav"]))


def test_a_word_prints_and_serializes_as_plain_text() -> None:
    assert (str(Role.HAT_OPEN), repr(Role.HAT_OPEN)) == ("hat_open", "'hat_open'")
    assert json.dumps({"states": STATES}) == '{"states": ["here", "missing", "aside", "hidden"]}'
    assert Role("snare") is pickle.loads(pickle.dumps(Role.SNARE))
    assert {"no-good": 1}[Mark.NO_GOOD] == 1


def test_a_report_of_a_scan_prints_as_one_line():
    report = ScanReport(added=(Path("a"),), left_out=(LeftOut(Path("k"), "kit", 3, "exported"),))
    assert str(report) == (
        "files: 1 added, 0 changed, 0 unchanged, 0 moved, 0 missing, 0 skipped,"
        " 3 left out (exported kits)"
    )


@pytest.mark.parametrize(
    ("left", "right", "name"),
    [
        ("snare 01 L", "snare 01 R", "snare 01"),
        ("snare left 2", "snare right 2", "snare  2"),
        ("snare (L)", "snare (R)", "snare"),
        ("left", "right", "left"),
        ("room a", "room b", "room a"),  # joined by the user
    ],
)
def test_a_hit_in_two_files_has_the_name_that_both_share(left, right, name):
    found = stroke_name(Path(f"/x/{left}.wav"), Path(f"/x/{right}.wav"), 0)
    assert found == name
    assert stroke_name(Path(f"/x/{left}.wav"), None, 3) == f"{left} #3"
