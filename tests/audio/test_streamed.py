"""Parts of a file that is decoded from its beginning equal slices of the whole."""

import numpy as np
import pytest

from catalog.audio import streamed
from catalog.audio.decode import decode_file, is_streamed
from catalog.audio.ffmpeg import read_true_header
from catalog.audio.streamed import StreamReader
from catalog.errors import AudioError
from catalog.library.scan.workers import measure_file
from catalog.library.takes import long_files
from tests.audio.test_ffmpeg import SR, encode

N = 40_000


@pytest.fixture
def wave():
    return np.random.default_rng(3).normal(scale=0.1, size=(N, 2)).astype(np.float32)


@pytest.fixture
def path(tmp_path, wave):
    integers = np.round(wave * 2**15).astype(np.int16)
    return encode(tmp_path / "take.m4a", integers, codec="alac", sample_format="s16p")


def test_the_true_length_is_counted(path):
    header = read_true_header(path)
    assert (header.sr, header.n_frames, header.n_channels) == (SR, N, 2)
    assert is_streamed(path)


@pytest.mark.parametrize("kept_values", [4_000, 1_000_000])
def test_parts_in_any_order_equal_slices(path, monkeypatch, kept_values):
    monkeypatch.setattr(streamed, "KEPT_VALUES", kept_values)
    whole = decode_file(path).samples
    reader = StreamReader(path)
    for start, stop in ((0, 1), (0, 9_000), (8_000, 17_000), (30_000, N), (100, 5_000), (7, 8)):
        assert np.array_equal(reader.read(start, stop).samples, whole[start:stop])
    assert len(reader.read(N - 10, N + 99).samples) == 10
    with pytest.raises(AudioError, match="holds no samples from frame"):
        reader.read(N, N + 1)
    reader.close()


def test_rising_parts_are_decoded_once(path, monkeypatch):
    opened = []
    original = streamed.open_stream
    monkeypatch.setattr(streamed, "open_stream", lambda p: opened.append(p) or original(p))
    reader = StreamReader(path)
    for start in range(0, N - 9_000, 3_000):
        reader.read(start, start + 9_000)
    reader.close()
    assert opened == [path]


def test_a_damaged_file_is_refused_while_parts_are_read(path):
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(AudioError, match=r"decoded|ends early|header"):
        StreamReader(path).read(N - 100, N)


def test_a_file_that_states_no_length_is_counted(path, wave, monkeypatch):
    monkeypatch.setattr(long_files, "is_long", lambda n, _: n >= N)
    stated = long_files.read_stated_header(path)
    monkeypatch.setattr(long_files, "read_stated_header", lambda _: stated._replace(n_frames=0))
    assert long_files.long_header(path).n_frames == N
    monkeypatch.undo()
    monkeypatch.setattr("catalog.library.scan.workers.LONG_VALUES", 2 * N - 1)
    with pytest.raises(AudioError, match="is longer than"):  # than it states
        measure_file(path)
