"""Long takes are measured in windows: same strokes, bounded memory."""

from __future__ import annotations

import subprocess
import sys

import av
import numpy as np
import pytest
import soundfile

from catalog.audio.microphone_channels import ChannelGroup
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.measure import measure_parts, measure_segments, measure_take
from catalog.features.takes import long_take, microphones
from catalog.features.takes.long_take import is_long, measure_long_take
from catalog.features.takes.microphones import TOGETHER
from tests.signals import STROKE_LEAD_S, drum_stroke

SR = 16_000
MOST_MB = 500.0
MEASURE = """
import re, sys
from pathlib import Path
from catalog.errors import ParameterError
from catalog.library.scan.workers import measure_file
try:
    _, first = measure_file(Path(sys.argv[1]))
    print(len({measures.start for measures in (first, *first.others)}))
except ParameterError:
    print(0)
print(int(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) / 1024)
"""


def make_take(onsets_s: list[float], *, length_s: float, n_channels: int = 2) -> Audio:
    wave = np.random.default_rng(1).normal(scale=2e-4, size=round(length_s * SR))
    for k, onset_s in enumerate(onsets_s):
        at = round((onset_s - STROKE_LEAD_S) * SR)
        stroke = drum_stroke(150, seed=k, sr=SR)[: len(wave) - at]
        wave[at : at + len(stroke)] += (0.4 + 0.6 * (k % 3) / 2) * stroke
    gains = np.linspace(1.0, 0.6, n_channels)
    return Audio((wave[:, None] * gains).astype(np.float32), SR, "WAV", "PCM_24")


def measure_in_windows(audio: Audio):
    def read(start, stop):
        return Audio(audio.samples[start:stop], audio.sr, audio.container, audio.subtype)

    n_frames, n_channels = audio.samples.shape
    return measure_long_take(read, n_frames=n_frames, n_channels=n_channels, sr=audio.sr)


def measure_microphones_in_windows(audio: Audio):
    def read(start, stop):
        return Audio(audio.samples[start:stop], audio.sr, audio.container, audio.subtype)

    n_frames, n_channels = audio.samples.shape
    groups = [ChannelGroup(f"ch {i + 1}", (i + 1,)) for i in range(n_channels)]
    return measure_long_take(
        read, n_frames=n_frames, n_channels=n_channels, sr=audio.sr, groups=groups
    )


def starts_s(measures) -> list[float]:
    return [stroke.start / SR for stroke in (measures, *measures.others)]


@pytest.fixture
def _short_windows(monkeypatch):
    monkeypatch.setattr(long_take, "WINDOW_FRAMES", 14 * SR)  # 6 s and the overlaps


@pytest.mark.usefixtures("_short_windows")
def test_windows_give_the_strokes_of_the_whole_take():
    onsets = [1.0 + 1.7 * k for k in range(20)]
    audio = make_take(onsets, length_s=40.0)
    first = measure_in_windows(audio)
    whole = measure_take(audio)
    assert starts_s(first) == pytest.approx(starts_s(whole), abs=0.001)
    assert starts_s(first) == pytest.approx(onsets, abs=0.005)


@pytest.mark.usefixtures("_short_windows")
def test_lone_strokes_far_apart_are_found_and_noise_between_them_is_not():
    onsets = [3.0, 33.0, 63.0]
    first = measure_in_windows(make_take(onsets, length_s=80.0))
    assert starts_s(first) == pytest.approx(onsets, abs=0.005)


@pytest.mark.usefixtures("_short_windows")
def test_a_stroke_at_the_border_of_two_windows_is_found_once():
    onsets = [5.99, 12.0, 18.004, 23.5]
    first = measure_in_windows(make_take(onsets, length_s=30.0))
    assert starts_s(first) == pytest.approx(onsets, abs=0.005)


@pytest.mark.usefixtures("_short_windows")
def test_silence_is_no_stroke():
    audio = Audio(np.zeros((40 * SR, 1), np.float32), SR, "WAV", "PCM_16")
    with pytest.raises(ParameterError, match="holds no stroke"):
        measure_in_windows(audio)


def test_the_strokes_of_several_microphones_are_measured_by_the_given_run():
    """So all worker processes share the strokes of one file."""
    onsets_s = [0.5 + k for k in range(2 * TOGETHER + 1)]
    audio = make_take(onsets_s, length_s=onsets_s[-1] + 1.5)
    segments = [(round((at_s - 0.05) * SR), round((at_s + 0.85) * SR)) for at_s in onsets_s]
    calls = []

    def run(function, items):
        calls.append(len(items))
        return [function(item) for item in items]

    def read(start, stop):
        return Audio(audio.samples[start:stop], audio.sr, audio.container, audio.subtype)

    groups = (ChannelGroup("in", (1,)), ChannelGroup("room", (2,)))
    first = measure_parts(
        read, segments, sr=SR, n_frames=len(audio.samples), run=run, groups=groups
    )
    assert calls == [3]
    names = [stroke.microphone for stroke in (first, *first.others)]
    assert names == ["in", "room"] * len(segments)


def test_short_files_are_measured_as_a_whole():
    assert not is_long(60 * 96_000, 2)
    assert is_long(20 * 60 * 96_000, 1)
    assert is_long(2 * 96_000, 100)


def write_blocks(path, *, sr: int, n_channels: int, minutes: int, stroke: bool) -> None:
    block = np.zeros((60 * sr, n_channels), np.float32)
    if stroke:
        block += np.random.default_rng(2).normal(scale=1e-4, size=block.shape)
        for at in range(sr, 58 * sr, 10 * sr):
            wave = drum_stroke(150, seed=at, sr=sr)
            block[at : at + len(wave)] += wave[:, None]
    if path.suffix == ".m4a":
        write_m4a(path, block, sr=sr, minutes=minutes)
        return
    container = path.suffix[1:].upper()
    with soundfile.SoundFile(path, "w", sr, n_channels, "PCM_16", format=container) as file:
        for _ in range(minutes):
            file.write(block)


def write_m4a(path, block: np.ndarray, *, sr: int, minutes: int) -> None:
    integers = np.round(block.T * 2**15).astype(np.int16)
    with av.open(str(path), "w", format="ipod") as out:
        stream = out.add_stream("alac", rate=sr, layout="stereo", format="s16p")
        for at in range(0, minutes * len(block), 4000):
            part = np.ascontiguousarray(integers[:, at % len(block) :][:, :4000])
            frame = av.AudioFrame.from_ndarray(part, format="s16p", layout="stereo")
            frame.sample_rate, frame.pts = sr, at
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak of memory from /proc")
@pytest.mark.parametrize(
    ("name", "sr", "n_channels", "minutes", "n_strokes"),
    [
        ("silence.flac", 48_000, 1, 120, 0),
        ("take.wav", 96_000, 4, 8, 48),
        ("stage.w64", 96_000, 64, 1, 6),
        ("phone.m4a", 48_000, 2, 5, 30),
    ],
)
def test_a_process_that_measures_a_long_file_stays_small(
    tmp_path, name, sr, n_channels, minutes, n_strokes
):
    path = tmp_path / name
    write_blocks(path, sr=sr, n_channels=n_channels, minutes=minutes, stroke=n_strokes > 0)
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, path], capture_output=True, text=True, check=True
    )
    n, memory_mb = done.stdout.split()
    assert int(n) == n_strokes
    assert float(memory_mb) < MOST_MB


@pytest.mark.usefixtures("_short_windows")
def test_a_stroke_that_cancels_in_the_mean_is_found_at_its_microphones():
    onsets_s = [0.5 + 1.5 * k for k in range(12)]
    audio = make_take(onsets_s, length_s=19.0)
    at = round(14.75 * SR)
    stroke = 0.3 * drum_stroke(400, seed=50, sr=SR)
    audio.samples[at : at + len(stroke), 0] += stroke
    audio.samples[at : at + len(stroke), 1] -= stroke
    found = sorted(set(starts_s(measure_microphones_in_windows(audio))))
    expected = sorted([*onsets_s, 14.75 + STROKE_LEAD_S])
    assert len(found) == len(expected)
    assert np.allclose(found, expected, atol=0.005)
    assert len(set(starts_s(measure_in_windows(audio)))) == len(onsets_s)


def test_a_large_stroke_is_measured_at_one_microphone_after_the_other(monkeypatch):
    """So that memory does not hold copies of all its channels; nothing else changes."""
    audio = make_take([0.5, 1.5, 2.5], length_s=4.0)
    segments = [(round(at_s * SR), round((at_s + 0.9) * SR)) for at_s in (0.45, 1.45, 2.45)]
    groups = (ChannelGroup("in", (1,)), ChannelGroup("room", (2,)))
    together = measure_segments(audio, segments, groups)
    monkeypatch.setattr(microphones, "TOGETHER_VALUES", 1)
    single = measure_segments(audio, segments, groups)
    for one, other in zip((together, *together.others), (single, *single.others), strict=True):
        assert (one.start, one.microphone, one.event) == (
            other.start,
            other.microphone,
            other.event,
        )
        assert (one.faults, one.delay_samples) == (other.faults, other.delay_samples)
        assert np.array_equal(one.embedding, other.embedding)
