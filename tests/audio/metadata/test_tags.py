"""Cue points are read as the RIFF specification of 1991 lays them out."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest

from catalog.audio.encode import encode_wav
from catalog.audio.metadata.tags import parse_cue_labels, parse_cue_points, read_riff_tags


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


@pytest.mark.parametrize(
    ("encoding", "scene"),
    [
        ("UTF-8", "Küche 台所"),
        ("shift_jis", "台所"),
        ("big5", "廚房"),
        ("gb2312", "厨房"),
        ("latin-1", "Küche"),
        ("nonsense", "Kitchen"),
        ("hex", "Kitchen"),  # a codec of Python that is no encoding of text
    ],
)
def test_the_declared_encoding_of_ixml_is_read(encoding, scene):
    codec = encoding if encoding not in ("nonsense", "hex") else "ascii"
    text = f'<?xml version="1.0" encoding="{encoding}"?><BWFXML><SCENE>{scene}</SCENE></BWFXML>'
    body = text.encode(codec)
    body += b"\0" * (len(body) % 2)
    wav = encode_wav(np.zeros((10, 1), np.float32), sr=44100)
    chunk = b"iXML" + struct.pack("<I", len(body)) + body
    size = struct.unpack_from("<I", wav, 4)[0] + len(chunk)
    file = io.BytesIO(wav[:4] + struct.pack("<I", size) + wav[8:] + chunk)
    assert read_riff_tags(file)["scene"] == scene
