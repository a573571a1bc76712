"""The journal beside files set aside: what it holds cannot stop the program."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from catalog.library.files.aside_journal import (
    JOURNAL_NAME,
    AsideEntry,
    append_entry,
    read_entries,
)

ENTRY = AsideEntry("set aside", "done", 3, Path("/music/kick.wav"), "3/kick.wav", "ab", "copy")


def test_damaged_lines_are_left_out(tmp_path):
    append_entry(tmp_path, ENTRY)
    whole = (tmp_path / JOURNAL_NAME).read_bytes()
    deep = b"[" * 100_000 + b"]" * 100_000
    lines = [whole[:-20], deep, b'{"hit": 1e999}', b"\xff\xfe", b"null", whole]
    (tmp_path / JOURNAL_NAME).write_bytes(b"\n".join(lines))
    (entry,) = read_entries(tmp_path).values()
    assert (entry.home, entry.hit_id, entry.reason) == (ENTRY.home, 3, "copy")


@pytest.mark.parametrize("make", [os.mkfifo, lambda path: os.symlink("/dev/zero", path)])
def test_a_journal_that_is_no_ordinary_file_is_refused(tmp_path, make):
    make(tmp_path / JOURNAL_NAME)
    with pytest.raises(OSError, match="no ordinary file"):
        read_entries(tmp_path)
    with pytest.raises(OSError, match="no ordinary file"):
        append_entry(tmp_path, ENTRY)
