"""The files of a take, one for each microphone, are cut at the same places."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.audio.metadata.bext import insert_bext
from tests.signals import STROKE_LEAD_S, as_frames, drum_stroke

SR = 16_000
AT_S = (0.4, 1.6, 2.8, 4.0)
DELAY = 48  # frames at the far microphone: 3 ms
ORIGIN = {"originator": "box", "date": "2021-05-04", "time": "10:00:00"}
START = 36_000 * SR  # of the first recorder, since midnight
CLOSE, FAR = (1.0, 0.5, 0.8, 0.7), (0.3, 0.0, 0.25, 0.2)  # one stroke is not heard from afar


def take(gains, *, delay=0, hz=150, length_s=5.2):
    noise = np.random.default_rng(delay).normal(scale=1e-4, size=round(length_s * SR))
    for number, (at_s, gain) in enumerate(zip(AT_S, gains, strict=True)):
        stroke = 0.6 * gain * drum_stroke(hz, seed=number, sr=SR)
        at = round(at_s * SR) + delay
        noise[at : at + len(stroke)] += stroke[: len(noise) - at]
    return noise.astype(np.float32)


def write(path, samples, *, start=0):
    path.parent.mkdir(parents=True, exist_ok=True)
    wav = encode_wav(as_frames(samples), sr=SR)
    path.write_bytes(
        insert_bext(wav, description="take=4", origin=ORIGIN, sr=SR, start=start) if start else wav
    )
    return path


@pytest.fixture
def cat(tmp_path):
    with Catalog.open(tmp_path / "store" / "drums.sqlite") as cat:
        yield cat


def spans(cat, name):
    """Return the strokes of the file with a name, as (start, stop)."""
    hits = [hit for hit in cat.hits(microphones=True) if hit.stem == name]
    return sorted((hit.start, hit.stop) for hit in hits)


def scan_two_files(cat, folder):
    write(folder / "snare take 4 top.wav", take(CLOSE))
    write(folder / "snare take 4 OH.wav", take(FAR, delay=DELAY))
    return cat.scan([folder], n_jobs=1)


def test_a_stroke_that_one_microphone_holds_is_cut_in_all_files(cat, tmp_path):
    report = scan_two_files(cat, tmp_path / "barn")
    assert (len(report.added), len(report.changed)) == (2, 0)
    onsets = [round((at_s + STROKE_LEAD_S) * SR) for at_s in AT_S]
    close = spans(cat, "snare take 4 top")
    assert [start for start, _ in close] == pytest.approx(onsets, abs=round(0.003 * SR))
    assert spans(cat, "snare take 4 OH") == close
    assert [len(hit.microphones) for hit in cat.hits()] == [2, 2, 2, 2]


def test_a_second_scan_measures_nothing_again(cat, tmp_path):
    scan_two_files(cat, tmp_path / "barn")
    revision, before = cat.revision(), cat.hits(microphones=True)
    report = cat.scan([tmp_path / "barn"], n_jobs=1)
    assert (len(report.unchanged), len(report.added), len(report.changed)) == (2, 0, 0)
    assert (cat.revision(), cat.hits(microphones=True)) == (revision, before)


@pytest.mark.parametrize("length_s", [5.2, 4.8], ids=["same take", "another length"])
def test_a_replaced_file_leaves_none_of_its_strokes_in_the_others(cat, tmp_path, length_s):
    scan_two_files(cat, tmp_path / "barn")
    kept = [span for n, span in enumerate(spans(cat, "snare take 4 OH")) if n != 1]
    gains = [gain * (number != 1) for number, gain in enumerate(CLOSE)]
    write(tmp_path / "barn" / "snare take 4 top.wav", take(gains, length_s=length_s))
    report = cat.scan([tmp_path / "barn"], n_jobs=1)
    assert [path.name for path in report.changed] == ["snare take 4 top.wav"]
    starts = [start for start, _ in spans(cat, "snare take 4 OH")]
    assert starts == pytest.approx([start for start, _ in kept], abs=2 * DELAY)
    assert len(spans(cat, "snare take 4 top")) == 3


def test_files_that_began_at_different_times_are_cut_at_the_same_moments(cat, tmp_path):
    late, folder = 4000, tmp_path / "barn"
    write(folder / "snare take 4 top.wav", take(CLOSE), start=START)
    write(folder / "snare take 4 OH.wav", take(FAR, delay=DELAY)[late:], start=START + late)
    cat.scan([folder], n_jobs=1)
    far = [(start + late, stop + late) for start, stop in spans(cat, "snare take 4 OH")]
    assert far == spans(cat, "snare take 4 top")
    assert len(far) == len(AT_S)


def test_a_stroke_before_a_recorder_was_started_is_left_out_of_its_file(cat, tmp_path):
    late, folder = round(1.2 * SR), tmp_path / "barn"
    write(folder / "snare take 4 top.wav", take(CLOSE), start=START)
    write(folder / "snare take 4 OH.wav", take(FAR, delay=DELAY)[late:], start=START + late)
    cat.scan([folder], n_jobs=1)
    assert [len(hit.microphones) for hit in cat.hits()] == [1, 2, 2, 2]


def test_files_of_other_lengths_without_a_time_are_cut_by_themselves(cat, tmp_path):
    write(tmp_path / "barn" / "snare take 4 top.wav", take(CLOSE))
    write(tmp_path / "barn" / "snare take 4 OH.wav", take(FAR, delay=DELAY, length_s=5.0))
    cat.scan([tmp_path / "barn"], n_jobs=1)
    assert len(spans(cat, "snare take 4 OH")) == 3


def test_a_silent_part_of_a_file_is_no_stroke_and_is_not_tried_again(cat, tmp_path, monkeypatch):
    gated = take(FAR, delay=DELAY)
    gated[round(1.5 * SR) : round(2.7 * SR)] = 0.0
    write(tmp_path / "barn" / "snare take 4 top.wav", take(CLOSE))
    write(tmp_path / "barn" / "snare take 4 OH.wav", gated)
    cat.scan([tmp_path / "barn"], n_jobs=1)
    assert [len(hit.microphones) for hit in cat.hits()] == [2, 1, 2, 2]
    monkeypatch.setattr("catalog.library.scan.workers.measure_with_override", None)
    write(tmp_path / "barn" / "kick.wav", drum_stroke(60, sr=SR))  # so that takes are compared
    report = cat.scan([tmp_path / "barn"], n_jobs=1)
    assert (len(report.added), len(report.unchanged), len(report.skipped)) == (1, 2, 0)


def test_the_cut_of_the_user_holds_for_the_other_files(cat, tmp_path):
    scan_two_files(cat, tmp_path / "barn")
    hit = next(hit for hit in cat.hits() if hit.microphone == "top")
    cat.takes.move_region(hit.id, start=hit.start - 160, stop=hit.stop - 320)
    assert spans(cat, "snare take 4 OH") == spans(cat, "snare take 4 top")
    assert cat.hit(hit.id).start == hit.start - 160
    cat.takes.reset_regions(hit.id)
    assert spans(cat, "snare take 4 OH") == spans(cat, "snare take 4 top")
    assert cat.hit(hit.id).start == hit.start


def test_all_workers_measure_the_shared_cut(cat, tmp_path):
    write(tmp_path / "barn" / "snare take 4 top.wav", take(CLOSE))
    write(tmp_path / "barn" / "snare take 4 OH.wav", take(FAR, delay=DELAY))
    cat.scan([tmp_path / "barn"], n_jobs=2)
    assert spans(cat, "snare take 4 OH") == spans(cat, "snare take 4 top")


@pytest.mark.parametrize("start", [START, 0], ids=["time references", "equal lengths"])
def test_the_drums_of_a_kit_in_one_take_are_cut_together(cat, tmp_path, start):
    """A kick and a snare by turns, each in its own microphone, the other's and the overhead."""
    folder = tmp_path / "barn"
    for name, gains, delays in (
        ("Kick In", (1.0, 0.03), (0, 25)),
        ("Snare Top", (0.03, 0.9), (25, 0)),
        ("OH", (0.2, 0.3), (60, 60)),
    ):
        parts = [
            take([g * (n % 2 == drum) for n in range(4)], delay=delay, hz=(60, 190)[drum])
            for drum, (g, delay) in enumerate(zip(gains, delays, strict=True))
        ]
        write(folder / f"take 4 {name}.wav", parts[0] + parts[1], start=start)
    cat.scan([folder], n_jobs=1)
    hits = sorted(cat.hits(), key=lambda hit: hit.start)
    assert [(hit.drum, hit.microphone) for hit in hits] == [("Kick", "In"), ("Snare", "Top")] * 2
    assert [hit.role for hit in hits] == ["kick", "snare"] * 2
    assert [len(hit.microphones) for hit in hits] == [3] * 4


def test_a_part_that_was_cut_from_a_take_is_not_cut_again(cat, tmp_path):
    write(tmp_path / "barn" / "snare take 4 top.wav", take(CLOSE), start=START)
    part = take(CLOSE)[round(1.5 * SR) : round(2.4 * SR)]
    write(tmp_path / "barn" / "snare take 4 OH.wav", part, start=START + round(1.5 * SR))
    cat.scan([tmp_path / "barn"], n_jobs=1)
    assert [hit.region for hit in cat.hits(microphones=True) if hit.microphone == "OH"] == [0]
