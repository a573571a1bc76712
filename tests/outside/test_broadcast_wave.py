"""Broadcast Wave files agree with wavinfo, an independent reader (PyPI, MIT).

The layout of bext is that of EBU Tech 3285, version 2: description 256 bytes, originator 32,
reference 32, date 10, time 8, time reference 8, version 2, then 254 bytes up to the history.
"""

from __future__ import annotations

import struct

import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.kit.export import ExportOptions
from catalog.kit.model import Kit
from catalog.library.metadata.filename import read_chunks
from tests.signals import as_frames, drum_stroke

wavinfo = pytest.importorskip("wavinfo")


HISTORY = "A=ANALOGUE,M=mono,T=old tape\r\nA=PCM,F=48000,W=24,M=mono,T=recorder"


def write_broadcast_wave(
    path, *, description: str, project: str, take: str, note: str, history: str = ""
) -> None:
    audio = encode_wav(as_frames(drum_stroke(90, seed=1, sr=48_000)), sr=48_000)
    body = description.encode("ascii").ljust(256, b"\0") + b"Recorder".ljust(32, b"\0")
    body += b"R".ljust(32, b"\0") + b"2024-03-0112:30:05" + struct.pack("<QH", 48_000 * 90, 2)
    body += b"\1" * 64 + struct.pack("<5h", -2300, 500, -100, -1800, -2000) + b"\0" * 180
    body += history.encode("ascii")
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
def test_metadata_equals_that_of_an_independent_reader(tmp_path, note):
    path = tmp_path / "hit.wav"
    write_broadcast_wave(path, description="dry corner", project="Mill", take="12", note=note)
    ours, theirs = read_chunks(path), wavinfo.WavInfoReader(str(path))
    assert ours.session == theirs.ixml.project == "Mill"
    assert ours.take == theirs.ixml.take == "12"
    assert theirs.bext.description == "dry corner"
    assert ours.note == (note or theirs.bext.description)


@pytest.fixture
def export(tmp_path):
    """Export a kit of the one recording in a folder; return its hit and what wavinfo reads."""

    def run(**options):
        with Catalog.open(tmp_path / "drums.sqlite") as cat:
            cat.scan([tmp_path / "barn"], n_jobs=1)
            (hit,) = cat.hits()
            kit = Kit(slots={"kick": (hit.id,)})
            files = cat.export_kit(kit, tmp_path / "kit", options=ExportOptions(**options))
        (written,) = (path for path in files if path.parent.name == "hits")
        return hit, wavinfo.WavInfoReader(str(written))

    (tmp_path / "barn").mkdir()
    return run


def test_an_export_keeps_the_chunk_and_continues_its_history(export, tmp_path):
    """EBU Tech 3285 (layout, time reference in samples) and EBU R 98 (history), as it reads them.

    The loudness of version 2 is no longer that of the file, and its value for "not used" 0x7FFF.
    """
    source = tmp_path / "barn" / "kick.wav"
    fields = {"description": "dry corner", "project": "Mill", "take": "12", "note": ""}
    write_broadcast_wave(source, **fields, history=HISTORY)
    hit, theirs = export(sr=96_000, subtype="PCM_16")
    assert theirs.fmt.sample_rate == 96_000
    assert theirs.bext.description == "session=Mill; take=12; dry corner"
    assert (theirs.bext.originator, theirs.bext.originator_ref) == ("Recorder", "R")
    assert theirs.bext.originator_date + theirs.bext.originator_time == "2024-03-0112:30:05"
    assert theirs.bext.time_reference == 2 * (48_000 * 90 + hit.start)
    assert theirs.bext.version == 2
    assert theirs.bext.loudness_value == pytest.approx(327.67)
    lines = theirs.bext.coding_history.split("\r\n")
    assert lines[:2] == HISTORY.split("\r\n")
    assert lines[2].startswith("A=PCM,F=96000,W=16,M=mono,T=kit; ")
    assert lines[3:] == [""]


def test_an_export_of_a_recording_without_a_chunk_has_one(export, tmp_path):
    path = tmp_path / "barn" / "kick_take4.wav"
    path.write_bytes(encode_wav(as_frames(drum_stroke(90, seed=2, sr=44_100)), sr=44_100))
    hit, read = export(subtype="FLOAT")
    theirs = read.bext
    assert theirs.description == "session=barn; take=4"
    assert (theirs.originator, theirs.originator_date) == ("", "")
    assert theirs.time_reference == hit.start  # within the file: there is no time of day
    first, second, last = theirs.coding_history.split("\r\n")
    assert first == "A=PCM,F=44100,W=24,M=mono,T=recording"
    assert second.startswith("A=PCM,F=44100,W=32,M=mono,T=kit; ")
    assert last == ""
