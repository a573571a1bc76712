from __future__ import annotations

from pathlib import Path

from catalog.models import PathNames


def test_names_of_a_report_read_as_paths() -> None:
    names = PathNames(["/a/kick.wav", "/a/snare.wav"])
    assert len(names) == 2
    assert names[-1] == Path("/a/snare.wav")
    assert names[:1] == (Path("/a/kick.wav"),)
    assert names == (Path("/a/kick.wav"), Path("/a/snare.wav"))
    assert names != (Path("/a"),)
    assert hash(names) == hash(PathNames(["/a/kick.wav", "/a/snare.wav"]))
