"""Cue points are read as the RIFF specification of 1991 lays them out."""

from __future__ import annotations

import struct

import pytest

from catalog.audio.tags import parse_cue_labels, parse_cue_points


def test_cue_points_are_sorted_and_labeled():
    points = [(2, 900), (1, 100)]
    cue = struct.pack("<I", 2) + b"".join(
        struct.pack("<IIIIII", n, 0, 0x61746164, 0, 0, at) for n, at in points
    )
    label = struct.pack("<I", 1) + b"soft\0"
    adtl = b"adtl" + b"labl" + struct.pack("<I", len(label)) + label + b"\0"
    assert parse_cue_points(cue, parse_cue_labels(adtl)) == [(100, "soft"), (900, "")]


@pytest.mark.parametrize("cue", [b"", b"\xff" * 3, b"\xff" * 4, b"\xff" * 30])
def test_a_broken_cue_list_is_ignored(cue):
    assert len(parse_cue_points(cue, {})) <= 1
    assert parse_cue_labels(b"adtl" + cue) == {}
