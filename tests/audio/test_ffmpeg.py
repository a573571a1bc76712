"""Files encoded with FFmpeg's own encoders are decoded, and broken ones are refused."""

from __future__ import annotations

import contextlib
import subprocess
import sys

import av
import numpy as np
import pytest
import soundfile

from catalog.audio.decode import decode_file
from catalog.audio.ffmpeg import decode_with_ffmpeg
from catalog.errors import AudioError
from tests.signals import drum_stroke
from tests.trust.mangle import mangle

SR = 48_000
MUXERS = {".m4a": "ipod", ".caf": "caf"}
CAF_SEED = 90_090  # of a file whose chunks end beyond any file
AAC_ERROR_DB = -25.0  # of the stroke, at 256 kbit/s


@pytest.fixture
def stroke(tmp_path):
    """Return a WAV file with two channels of 24-bit integers."""
    mono = np.pad(drum_stroke(150), 2000)
    wave = np.stack([mono, -0.4 * np.roll(mono, 30)], axis=1)
    path = tmp_path / "stroke.wav"
    soundfile.write(path, wave, SR, subtype="PCM_24")
    return path


def encode(path, wave, *, codec, sample_format, **options):
    with av.open(str(path), "w", format=MUXERS[path.suffix]) as out:
        stream = out.add_stream(codec, rate=SR, layout="stereo", format=sample_format, **options)
        for at in range(0, len(wave), 1024):
            block = np.ascontiguousarray(wave[at : at + 1024].T)
            frame = av.AudioFrame.from_ndarray(block, format=sample_format, layout="stereo")
            frame.sample_rate, frame.pts = SR, at
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def encode_alac(stroke, suffix=".m4a"):
    """Return the 16-bit samples of a WAV file, and a lossless file of them."""
    wave = soundfile.read(stroke, dtype="int16")[0]
    return wave, encode(stroke.with_suffix(suffix), wave, codec="alac", sample_format="s16p")


@pytest.mark.parametrize("suffix", [".m4a", ".caf"])
@pytest.mark.parametrize(("sample_format", "bits"), [("s16p", 16), ("s32p", 24)])
def test_lossless_files_give_the_original_samples(stroke, suffix, sample_format, bits):
    name = "int16" if bits == 16 else "int32"
    wave = soundfile.read(stroke, dtype=name)[0]
    path = encode(stroke.with_suffix(suffix), wave, codec="alac", sample_format=sample_format)
    expected = wave / (2.0**15 if bits == 16 else 2.0**31)
    for audio in (decode_file(path), decode_with_ffmpeg(path)):
        assert np.array_equal(audio.samples, expected.astype(np.float32))
        assert audio.sr == SR
        assert audio.subtype == f"ALAC_{bits}"


def test_lossy_files_keep_position_and_length(stroke):
    wave = soundfile.read(stroke, dtype="float32")[0]
    form = {"codec": "aac", "sample_format": "fltp", "options": {"b": "256k"}}
    path = encode(stroke.with_suffix(".m4a"), wave, **form)
    audio = decode_file(path)
    n = min(len(wave), len(audio.samples))
    error = np.square(audio.samples[:n] - wave[:n]).sum() / np.square(wave).sum()
    assert 10 * np.log10(error) < AAC_ERROR_DB  # a shift by one frame would show
    assert abs(len(audio.samples) - len(wave)) <= 1024
    assert (audio.container, audio.subtype) == ("M4A", "AAC")


def test_part_of_a_file_equals_a_slice_of_the_whole(stroke):
    wave, path = encode_alac(stroke)
    part = decode_file(path, start=3000, stop=3100).samples
    assert np.array_equal(part, (wave[3000:3100] / 2.0**15).astype(np.float32))


@pytest.mark.parametrize("suffix", [".m4a", ".caf"])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.97])
def test_a_truncated_file_is_refused(stroke, suffix, share):
    _, path = encode_alac(stroke, suffix)
    path.write_bytes(path.read_bytes()[: round(share * path.stat().st_size)])
    with pytest.raises(AudioError, match=r"decoded|ends early|header|no samples|no sound"):
        decode_file(path)


@pytest.mark.parametrize("seed", range(12))
def test_a_corrupted_file_is_decoded_or_refused(stroke, seed):
    rng = np.random.default_rng(seed)
    wave, path = encode_alac(stroke)
    data = np.frombuffer(path.read_bytes(), np.uint8).copy()
    first = 0 if seed % 2 else len(data) - 900  # all of it, or the tables at its end
    places = rng.integers(first, len(data), 40 if seed % 2 else 3)
    data[places] = rng.integers(0, 256, len(places))
    path.write_bytes(data.tobytes())
    with contextlib.suppress(AudioError):
        audio = decode_file(path)
        assert np.isfinite(audio.samples).all()
        assert len(audio.samples) < 10 * len(wave)


def test_a_position_beyond_any_file_prints_no_traceback(tmp_path):
    """FFmpeg seeks to the end of a chunk, which a damaged CAF file may place anywhere."""
    path = tmp_path / "snare.caf"
    path.write_bytes(mangle(CAF_SEED)[0])
    code = (
        "import contextlib, pathlib, sys; from catalog.audio.ffmpeg import decode_with_ffmpeg;"
        "from catalog.errors import AudioError;"
        "from catalog.audio.metadata.media_tags import read_media_tags;"
        f"path = pathlib.Path({str(path)!r}); read_media_tags(path);"
        "exec('with contextlib.suppress(AudioError): decode_with_ffmpeg(path)')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == ""


def test_a_playlist_is_not_followed(stroke):
    path = stroke.with_suffix(".m4a")
    path.write_text(f"#EXTM3U\n#EXTINF:1,\n{stroke}\n")
    with pytest.raises(AudioError, match="cannot be decoded"):
        decode_file(path)


def test_pyav_is_imported_only_for_such_files(stroke):
    code = (
        "import sys; from catalog.audio.decode import decode_file;"
        f"decode_file({str(stroke)!r}); sys.exit('av' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
