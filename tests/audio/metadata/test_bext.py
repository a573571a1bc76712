"""The bext chunk is read and written as EBU Tech 3285 lays it out."""

from __future__ import annotations

import io
import struct
from datetime import datetime

import numpy as np
import pytest
import soundfile

from catalog.audio.encode import encode_wav
from catalog.audio.metadata.bext import (
    insert_bext,
    parse_bext_origin,
    recording_date,
    recording_time,
    time_reference,
)
from catalog.library.metadata.filename import read_chunks

SR = 44100

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


@pytest.mark.parametrize(
    ("origin", "expected"),
    [
        ({"date": "2021-05-04", "time": "16:20:00"}, datetime(2021, 5, 4, 16, 20)),
        ({"date": "2021-05-04"}, datetime(2021, 5, 4, 12)),
        ({"date": "2021-05-04", "time": "noon"}, datetime(2021, 5, 4, 12)),
        ({"date": "2021-05-04T10:15:30"}, datetime(2021, 5, 4, 10, 15, 30)),
        ({"date": "2020"}, None),
        ({"date": "May 2020"}, None),
        ({"date": "31.12.2020"}, None),
        ({"date": "2020-13-45"}, None),
        ({"date": "0001-01-01", "time": "00:00:00"}, None),
        ({"date": "9999-12-31", "time": "23:59:59"}, None),
        ({"time": "10:00:00"}, None),
        ({}, None),
    ],
)
def test_a_tag_is_a_date_only_if_a_recorder_could_have_written_it(origin, expected):
    assert recording_time(origin) == expected
    assert recording_date(origin) == (expected.strftime("%Y-%m-%d") if expected else "")


@pytest.mark.parametrize("text", ["abc", "-5", "1" + 30 * "0", "1.5", "²", ""])
def test_a_time_reference_that_is_no_count_is_zero(text):
    assert time_reference({"time_reference": text}) == 0
    assert time_reference({"time_reference": "48000"}) == 48000


@pytest.mark.parametrize("date", ["May 2020", "0001-01-01", "9999-12-31"])
def test_a_part_of_a_recording_with_an_odd_date_is_written_without_it(date):
    wav = encode_wav(np.zeros((100, 1), np.float32), sr=SR)
    origin = {"date": date, "time": "23:59:59", "time_reference": "abc"}
    written = insert_bext(wav, description="", origin=origin, sr=SR, start=2 * SR)
    chunk = written[written.index(b"bext") + 8 :]
    assert chunk[320:330] == bytes(10)
    assert int.from_bytes(chunk[338:346], "little") == 2 * SR
