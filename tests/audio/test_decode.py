"""Decoding returns the encoded samples and rejects broken files with a clear reason."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from catalog.audio.decode import decode_file, decode_unless, read_header
from catalog.audio.encode import encode_audio, encode_wav
from catalog.audio.model import Audio
from catalog.errors import AudioError
from tests.signals import SR, as_frames, decaying_sine


def write(path, data: bytes):
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_decoded_integers_equal_the_encoded_ones(subtype, bits, seed, tmp_path_factory):
    top = 2 ** (bits - 1)
    values = np.random.default_rng(seed).integers(-top, top, size=(200, 2))
    samples = (values / top).astype(np.float32)
    data = encode_wav(samples, sr=SR, subtype=subtype)
    path = write(tmp_path_factory.mktemp("a") / "x.wav", data)
    assert np.array_equal(np.rint(decode_file(path).samples * top), values)


def test_float_files_keep_samples_beyond_full_scale(tmp_path):
    samples = np.array([[0.0], [3.5], [-7.25], [1.0]], np.float32)
    path = write(tmp_path / "hot.wav", encode_wav(samples, sr=96_000, subtype="FLOAT"))
    audio = decode_file(path)
    assert np.array_equal(audio.samples, samples)
    assert (audio.sr, audio.container, audio.subtype) == (96_000, "WAV", "FLOAT")


def test_integer_formats_clip_and_do_not_wrap_around(tmp_path):
    path = write(tmp_path / "x.wav", encode_wav(np.array([[2.0], [-2.0]]), sr=SR))
    assert decode_file(path).samples.ravel() == pytest.approx([1.0, -1.0], abs=2**-22)


def test_part_of_a_file_equals_a_slice_of_the_whole(tmp_path):
    data = encode_audio(as_frames(decaying_sine(300, 0.2)), sr=SR, container="FLAC")
    path = write(tmp_path / "x.flac", data)
    whole = decode_file(path).samples
    assert np.array_equal(decode_file(path, start=1000, stop=1500).samples, whole[1000:1500])


@pytest.mark.parametrize("sr", [8_000, 192_000])
@pytest.mark.parametrize("n_channels", [1, 8])
def test_sample_rate_and_channels_are_kept(sr, n_channels, tmp_path):
    samples = as_frames(decaying_sine(300, 0.1, length_s=0.2, sr=sr), n_channels)
    audio = decode_file(write(tmp_path / "x.wav", encode_wav(samples, sr=sr)))
    assert audio.samples.shape == samples.shape
    assert audio.sr == sr


def good_wav() -> bytes:
    return encode_wav(as_frames(decaying_sine(300, 0.2)), sr=SR)


def with_nan() -> bytes:
    return encode_wav(np.array([[0.1], [np.nan], [0.2]], np.float32), sr=SR, subtype="FLOAT")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"these are the notes of the day, not a recording\n" * 9, "cannot be decoded"),
        (good_wav()[:60], "ends early|holds no samples"),
        (good_wav()[: len(good_wav()) // 2], "ends early"),
        (with_nan(), "not numbers"),
        (good_wav()[:24] + struct.pack("<I", 5) + good_wav()[28:], "5 Hz"),
    ],
    ids=["empty", "text", "header only", "half", "nan", "absurd rate"],
)
def test_a_broken_file_gives_one_line_with_its_name(data, words, tmp_path):
    path = write(tmp_path / "snare_03.wav", data)
    with pytest.raises(AudioError, match=words) as caught:
        decode_file(path)
    assert str(caught.value).startswith("snare_03.wav: ")
    assert "\n" not in str(caught.value)
    assert caught.value.path == path


def test_a_truncated_flac_file_is_refused(tmp_path):
    noise = np.random.default_rng(0).normal(size=(SR, 1)) * 0.1
    data = encode_audio(noise, sr=SR, container="FLAC")
    with pytest.raises(AudioError, match=r"ends early|cannot be decoded"):
        decode_file(write(tmp_path / "x.flac", data[: len(data) // 2]))


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(AudioError, match="cannot be read"):
        decode_file(tmp_path / "gone.wav")


def test_a_file_is_decoded_unless_its_header_says_that_it_is_long(tmp_path):
    path = tmp_path / "snare.wav"
    path.write_bytes(encode_wav(as_frames(decaying_sine(200.0, 0.1, length_s=0.2)), sr=SR))
    whole = decode_file(path)
    audio = decode_unless(path, lambda header: header.n_frames > len(whole.samples))
    assert isinstance(audio, Audio)
    assert np.array_equal(audio.samples, whole.samples)
    header = decode_unless(path, lambda header: header.n_frames >= len(whole.samples))
    assert header == read_header(path)
