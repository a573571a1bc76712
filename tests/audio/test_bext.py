"""The bext chunk is read and written as EBU Tech 3285 lays it out."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import soundfile

from catalog.audio.bext import insert_bext, parse_bext_origin
from catalog.audio.encode import encode_wav
from catalog.library.metadata.filename import read_chunks

ORIGIN = {
    "originator": "field recorder", "reference": "R1", "date": "2021-05-04", "time": "23:59:59",
    "time_reference": "4145472000",
}  # fmt: skip


def wav(sr=48_000):
    return encode_wav(np.linspace(-0.5, 0.5, 100, dtype=np.float32), sr=sr)


def bext(**fields):
    """Return a chunk with each field at its offset by EBU Tech 3285, section 2.3."""
    body = bytearray(602)
    offsets = {"description": 0, "originator": 256, "reference": 288, "date": 320, "time": 330}
    for name, text in fields.items():
        body[offsets[name] : offsets[name] + len(text)] = text.encode()
    return body


def test_each_field_is_read_at_its_offset():
    body = bext(originator="box", reference="R9", date="2020:01:31", time="08-15-00")
    struct.pack_into("<II", body, 338, 7, 1)
    assert parse_bext_origin(bytes(body)) == {
        "originator": "box", "reference": "R9", "date": "2020-01-31", "time": "08:15:00",
        "time_reference": str((1 << 32) + 7),
    }  # fmt: skip


@pytest.mark.parametrize("date", ["", "2020-13-01", "yesterday!", "0000-00-00"])
def test_an_invalid_date_is_left_out(date):
    assert "date" not in parse_bext_origin(bytes(bext(date=date)))


def test_a_truncated_chunk_is_read_as_far_as_it_goes():
    assert parse_bext_origin(bytes(bext(originator="box"))[:300]) == {"originator": "box"}
    assert parse_bext_origin(b"") == {}


def test_the_time_is_moved_to_the_start_of_the_part(tmp_path):
    path = tmp_path / "part.wav"
    data = insert_bext(wav(), description="take=3", origin=ORIGIN, sr=48_000, start=96_000)
    path.write_bytes(data)
    found = read_chunks(path)
    assert found.take == "3"
    assert found.origin == {
        **ORIGIN, "date": "2021-05-05", "time": "00:00:01", "time_reference": "4145568000",
        "take": "3",
    }  # fmt: skip


def test_libsndfile_reads_the_audio_and_the_chunk():
    data = insert_bext(wav(), description="a stroke", origin={}, sr=48_000, start=5)
    with soundfile.SoundFile(io.BytesIO(data)) as file:
        assert "bext : 602" in file.extra_info
        assert np.allclose(file.read(), np.linspace(-0.5, 0.5, 100), atol=2**-23)
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8


def test_a_long_text_is_cut_between_characters():
    data = insert_bext(wav(), description="é" * 200, origin={}, sr=48_000, start=0)
    assert data[20 : 20 + 256].decode() == "é" * 128
