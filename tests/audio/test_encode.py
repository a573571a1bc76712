from __future__ import annotations

import numpy as np
import pytest

from catalog.audio.encode import count_clipped, encode_wav, is_written_exactly
from catalog.errors import ParameterError
from tests.signals import SR, as_frames, decaying_sine


def test_float_files_carry_no_time_stamp():
    samples = as_frames(decaying_sine(200, 0.3))
    first = encode_wav(samples, sr=SR, subtype="FLOAT")
    at = first.index(b"PEAK")
    assert first[at + 12 : at + 16] == bytes(4)


def test_encoding_no_samples_is_refused():
    with pytest.raises(ParameterError, match="nothing to encode"):
        encode_wav(np.zeros((0, 1)), sr=SR)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_a_written_file_is_compared_to_its_last_bit(tmp_path, subtype):
    samples = as_frames(np.float32(0.9) * decaying_sine(200, 0.3), 2)
    path, data = tmp_path / "a.wav", encode_wav(samples, sr=SR, subtype=subtype)
    path.write_bytes(data)
    assert is_written_exactly(path, samples, sr=SR, subtype=subtype)
    assert not is_written_exactly(path, samples, sr=SR + 1, subtype=subtype)
    assert not is_written_exactly(path, samples[1:], sr=SR, subtype=subtype)
    assert not is_written_exactly(path, samples[:, :1], sr=SR, subtype=subtype)
    frame = data.index(b"data") + 8 + 2 * 100 * int({"PCM_16": 2, "PCM_24": 3}.get(subtype, 4))
    path.write_bytes(data[:frame] + bytes([data[frame] ^ 1]) + data[frame + 1 :])  # one low bit
    assert not is_written_exactly(path, samples, sr=SR, subtype=subtype)
    path.write_bytes(data[:30])
    assert not is_written_exactly(path, samples, sr=SR, subtype=subtype)


def test_samples_that_an_integer_format_clips_are_counted():
    samples = np.array([[1.0], [-1.0], [1.0 - 2.0**-23], [1.5], [-1.5], [0.0]])
    assert count_clipped(samples, subtype="PCM_24") == 3  # 1.0 is one step above the largest
    assert count_clipped(samples, subtype="FLOAT") == 0
