"""What recorders write into files, read by us and by wavinfo, an independent reader (PyPI, MIT).

The layout of bext is that of EBU Tech 3285, version 2: description 256 bytes, originator 32,
reference 32, date 10, time 8, time reference 8, version 2, then 254 bytes up to the history.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

from catalog.library.provenance import read_chunks
from catalog.sound.decode import encode_wav

wavinfo = pytest.importorskip("wavinfo")


def write_broadcast_wave(path, *, description: str, project: str, take: str, note: str) -> None:
    audio = encode_wav(np.zeros((480, 1), np.float32), sr=48_000)
    body = description.encode("ascii").ljust(256, b"\0") + b"Recorder".ljust(32, b"\0")
    body += b"R".ljust(32, b"\0") + b"2024-03-0112:30:05" + struct.pack("<QH", 48_000 * 90, 1)
    body += b"\0" * 254
    xml = (
        f'<?xml version="1.0" encoding="UTF-8"?><BWFXML><IXML_VERSION>1.5</IXML_VERSION>'
        f"<PROJECT>{project}</PROJECT><TAKE>{take}</TAKE><NOTE>{note}</NOTE></BWFXML>"
    ).encode()
    chunks = b"".join(
        name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)
        for name, data in ((b"bext", body), (b"iXML", xml))
    )
    whole = audio + chunks
    path.write_bytes(whole[:4] + struct.pack("<I", len(whole) - 8) + whole[8:])


@pytest.mark.parametrize("note", ["", "loose heads"])
def test_our_reader_agrees_with_an_independent_one(tmp_path, note):
    path = tmp_path / "hit.wav"
    write_broadcast_wave(path, description="dry corner", project="Mill", take="12", note=note)
    ours, theirs = read_chunks(path), wavinfo.WavInfoReader(str(path))
    assert ours.session == theirs.ixml.project == "Mill"
    assert ours.take == theirs.ixml.take == "12"
    assert theirs.bext.description == "dry corner"
    assert ours.note == (note or theirs.bext.description)
