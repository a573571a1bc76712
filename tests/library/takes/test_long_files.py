"""Long recordings give the same samples in parts as whole, and the same hits in any processes."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import soundfile

from catalog.audio.channels import measure_delays, mix_channels
from catalog.audio.decode import decode_file, read_header
from catalog.errors import AudioError, ParameterError
from catalog.library.scan import workers
from catalog.library.scan.scanner import scan_folders
from catalog.library.scan.stereo_pairs import decode_sides
from catalog.library.store.store import Store
from catalog.library.takes.long_files import LongRecording, long_header, measure_long_file
from tests.signals import STROKE_LEAD_S, drum_stroke

SR = 8_000
LONG_S = 1010  # 8,080,000 frames: long by the number of frames
DELAY = 24  # frames between the microphones
AT_S = (0.5, 2.1, 4.0)


def make_take(*, length_s: float, at_s=AT_S) -> np.ndarray:
    """Return two microphones, the second further away and of opposite polarity."""
    wave = np.random.default_rng(4).normal(scale=2e-4, size=round(length_s * SR))
    for number, onset_s in enumerate(at_s):
        stroke = drum_stroke(150, seed=number, sr=SR, strength=0.9 - 0.1 * (number % 3))
        at = round((onset_s - STROKE_LEAD_S) * SR)
        wave[at : at + len(stroke)] += 0.5 * stroke
    far = -0.6 * np.concatenate([np.zeros(DELAY), wave[:-DELAY]])
    return np.stack([wave, far], axis=1).astype(np.float32)


@pytest.fixture
def take(tmp_path):
    path = tmp_path / "take.wav"
    soundfile.write(path, make_take(length_s=6.0), SR, "FLOAT")
    return path


@pytest.mark.parametrize("mix", ["", "1", "2", "sum", "aligned"])
def test_parts_of_a_mix_are_those_of_the_whole_mix(take, mix):
    audio = decode_file(take)
    at = round(AT_S[0] * SR) - 160
    delays = measure_delays(audio.samples[at:], sr=SR)
    file = LongRecording(take, None, SR, len(audio.samples), 2, mix, delays)
    assert round(delays[1].delay_ms * SR / 1000) == DELAY
    whole = mix_channels(audio, mix).samples
    edges = (0, 5000, 17_777, len(audio.samples))
    parts = [file.read(a, b).samples for a, b in itertools.pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_parts_of_two_files_are_the_two_channels(tmp_path):
    samples = make_take(length_s=6.0)
    left, right = tmp_path / "oh L.wav", tmp_path / "oh R.wav"
    soundfile.write(left, samples[:, 0], SR, "FLOAT")
    soundfile.write(right, samples[:, 1], SR, "FLOAT")
    file = LongRecording(left, right, SR, len(samples), 2)
    np.testing.assert_array_equal(file.read(3000, 9000).samples, samples[3000:9000])
    _, measures = measure_long_file(left, header=read_header(left), mate=right)
    starts = [m.start / SR for m in (measures, *measures.others)]
    assert starts == pytest.approx(AT_S, abs=0.006)
    assert decode_sides(left, right).samples.shape == samples.shape


@pytest.mark.parametrize("mix", ["", "2", "aligned"])
def test_given_regions_are_kept_and_the_channels_are_those_recorded(take, mix):
    regions = [(3000, 9000), (16_000, 30_000)]
    audio, first = measure_long_file(take, header=read_header(take), mix=mix, regions=regions)
    assert [(m.start, m.stop) for m in (first, *first.others)] == regions
    assert audio.samples.shape[1] == 2


def test_a_channel_that_is_not_there_is_refused(take):
    with pytest.raises(ParameterError, match="channel from 1 to 2"):
        measure_long_file(take, header=read_header(take), mix="3")


def test_all_workers_together_give_the_hits_of_one_process(tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "DIVIDED_BYTES", 1 << 20)
    folder = tmp_path / "takes"
    folder.mkdir()
    onsets = [1.0 + 97.0 * k for k in range(10)]
    path = folder / "long.wav"
    soundfile.write(path, make_take(length_s=LONG_S, at_s=onsets)[:, 0], SR, "PCM_16")
    assert long_header(path) is not None
    rows = []
    for n_jobs in (1, 2):
        with Store.open(tmp_path / f"{n_jobs}.sqlite") as store:
            report = scan_folders(store, [folder], n_jobs=n_jobs)
            assert report.skipped == ()
            rows.append([(h.start, h.stop, h.descriptors) for h in store.hits.read()])
    assert rows[0] == rows[1]
    assert [start / SR for start, _, _ in rows[0]] == pytest.approx(onsets, abs=0.006)


def test_a_large_file_that_is_damaged_is_skipped_with_its_reason(tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "DIVIDED_BYTES", 1)
    (tmp_path / "takes").mkdir()
    (tmp_path / "takes" / "bad.wav").write_bytes(b"RIFF" + bytes(1000))
    with Store.open(tmp_path / "drums.sqlite") as store:
        report = scan_folders(store, [tmp_path / "takes"], n_jobs=2)
    assert [fault.path.name for fault in report.skipped] == ["bad.wav"]


@pytest.mark.parametrize(
    ("err", "n_added", "reason"),
    [
        (AudioError("x", "ends early"), 1, ""),
        (OSError(5, "Input/output error"), 1, ""),
        (ZeroDivisionError("of ours"), 0, "cannot be measured (ZeroDivisionError: of ours)"),
    ],
)
def test_one_worker_measures_a_large_file_if_all_together_fail(
    take, tmp_path, monkeypatch, err, n_added, reason
):
    """A fault of the file or the machine is looked for again; one of the program is reported."""

    def fail(*_):
        raise err

    monkeypatch.setattr(workers, "DIVIDED_BYTES", 1)
    monkeypatch.setattr(workers, "_measure_in_parts", fail)
    with Store.open(tmp_path / "drums.sqlite") as store:
        report = scan_folders(store, [take.parent], n_jobs=2)
    assert len(report.added) == n_added
    assert [fault.reason.split(";")[0] for fault in report.skipped] == [reason] * (1 - n_added)


def test_a_file_that_is_shorter_than_its_header_declares_is_refused(tmp_path):
    path = tmp_path / "take.mp3"
    soundfile.write(path, make_take(length_s=6.0), SR)
    header = read_header(path)._replace(n_frames=20_000_000)  # as a damaged header of MP3 does
    with pytest.raises(AudioError, match="ends early: its header declares more audio"):
        measure_long_file(path, header=header)
