"""Each file of a scanned folder is a hit, a skip with a reason, or counted as no audio."""

from __future__ import annotations

import os
import socket

import numpy as np
import pytest
import soundfile

from catalog.audio.decode import decode_file, read_header
from catalog.cli.output import read_regular_file
from catalog.errors import AudioError, ParameterError
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.walk import walk_folders

SR = 16_000
# Suffix and libsndfile's name of the format; each is written by libsndfile itself.
WRITTEN = {
    ".voc": "VOC", ".ircam": "IRCAM", ".sf": "IRCAM", ".pvf": "PVF", ".paf": "PAF", ".svx": "SVX",
    ".nist": "NIST", ".w64": "W64", ".rf64": "RF64", ".mat": "MAT5", ".htk": "HTK", ".avr": "AVR",
    ".mpc": "MPC2K",
}  # fmt: skip
FFMPEG = {".webm": ("webm", "libopus"), ".mka": ("matroska", "libmp3lame"), ".3gp": ("3gp", "aac")}


def stroke() -> np.ndarray:
    t = np.arange(SR // 4) / SR
    return (0.5 * np.sin(2 * np.pi * 200 * t) * np.exp(-t / 0.04)).astype(np.float32)


@pytest.mark.parametrize("suffix", WRITTEN)
def test_formats_of_libsndfile_become_hits(store, tmp_path, suffix):
    path = tmp_path / "in" / f"snare{suffix}"
    path.parent.mkdir()
    soundfile.write(str(path), stroke(), SR, format=WRITTEN[suffix], subtype="PCM_16")
    report = scan_folders(store, [path.parent], n_jobs=1)
    assert [p.name for p in report.added] == [path.name], report


@pytest.mark.parametrize("suffix", FFMPEG)
def test_formats_of_ffmpeg_become_hits(store, tmp_path, suffix):
    import av

    path = tmp_path / "in" / f"snare{suffix}"
    path.parent.mkdir()
    form, codec = FFMPEG[suffix]
    with av.open(str(path), "w", format=form) as out:
        stream = out.add_stream(codec, rate=48_000, layout="mono")
        samples = np.concatenate([np.zeros(4800, np.float32), np.repeat(stroke(), 3)])[None]
        frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout="mono")
        frame.sample_rate = 48_000
        resampler = av.AudioResampler(stream.format, "mono", 48_000, stream.frame_size or None)
        for part in [*resampler.resample(frame), *resampler.resample(None)]:
            out.mux(stream.encode(part))
        out.mux(stream.encode(None))
    report = scan_folders(store, [path.parent], n_jobs=1)
    assert [p.name for p in report.added] == [path.name], report


def test_files_without_a_suffix_are_known_by_their_header(store, tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    for name, form in (("wave", "WAV"), ("flac", "FLAC"), ("aiff", "AIFF"), ("ogg", "OGG")):
        soundfile.write(str(folder / name), stroke(), SR, format=form)
    (folder / "LICENSE").write_text("free")
    report = scan_folders(store, [folder], n_jobs=1)
    assert sorted(p.name for p in report.added) == ["aiff", "flac", "ogg", "wave"]
    assert report.not_audio == {"": 1}


def test_each_file_is_a_hit_a_reason_or_counted(store, library):
    (library / "notes.TXT").write_text("x")
    (library / "more.txt").write_text("x")
    (library / "Attic" / "manifest.json").write_text("{}")
    (library / "film.mp4").write_bytes(b"x")
    os.mkfifo(library / "pipe")
    os.mkfifo(library / "pipe.wav")
    (library / "link to a pipe.wav").symlink_to(library / "pipe.wav")
    (library / "zero.wav").symlink_to("/dev/zero")
    (library / "zero").symlink_to("/dev/zero")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(library / "s.wav"))
        report = scan_folders(store, [library], n_jobs=1)
    assert len(report.added) == 6
    names = sorted(skip.path.name for skip in report.skipped)
    assert names == ["film.mp4", "link to a pipe.wav", "pipe.wav", "s.wav", "zero.wav"]
    assert report.not_audio == {"": 2, ".json": 1, ".txt": 2}
    n_files = sum(len(files) for _, _, files in os.walk(library))
    n_known = len(report.added) + len(report.skipped) + sum(report.not_audio.values())
    assert n_known == n_files
    assert walk_folders([str(library)], leave_out="/none").not_audio == report.not_audio


@pytest.mark.parametrize("target", ["fifo", "/dev/zero"])
def test_pipes_and_devices_are_never_opened(tmp_path, target):
    path = tmp_path / "link"
    if target == "fifo":
        os.mkfifo(tmp_path / "fifo")
        target = str(tmp_path / "fifo")
    path.symlink_to(target)
    for read in (decode_file, read_header):
        with pytest.raises(AudioError, match="a pipe or a device"):
            read(path)
    with pytest.raises(ParameterError, match="a pipe or a device"):
        read_regular_file(path)
