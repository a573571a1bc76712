"""Delay and polarity of takes whose microphones are separate files, pooled over the take."""

from __future__ import annotations

import json

import numpy as np
import pytest

from catalog import Catalog
from catalog.__main__ import main
from catalog.audio.encode import encode_wav
from catalog.audio.metadata.bext import insert_bext
from tests.signals import as_frames, drum_stroke

SR = 16_000
AT_S = (0.4, 1.6, 2.8, 4.0)
DELAY, LATE_START = 48, 4000  # frames: 3 ms or 1.03 m of air; the second recorder started later
ORIGIN = {"originator": "box", "date": "2021-05-04", "time": "10:00:00"}


def take(*, delay=0, sign=1.0, cut=0):
    noise = np.random.default_rng(delay).normal(scale=1e-4, size=round(5.2 * SR))
    for number, at_s in enumerate(AT_S):
        stroke = sign * drum_stroke(150, seed=number, sr=SR)
        at = round(at_s * SR) + delay
        noise[at : at + len(stroke)] += stroke
    return noise[cut:].astype(np.float32)


def write(path, samples, *, start=0):
    wav = encode_wav(as_frames(samples), sr=SR)
    path.write_bytes(
        insert_bext(wav, description="take=4", origin=ORIGIN, sr=SR, start=start) if start else wav
    )


@pytest.fixture(params=["names", "time references"])
def scanned(request, tmp_path):
    folder = tmp_path / "barn"
    folder.mkdir()
    timed = request.param == "time references"
    cut = LATE_START if timed else 0
    start = 36_000 * SR if timed else 0
    write(folder / "snare take 4 top.wav", take(), start=start)
    late = take(delay=DELAY, sign=-0.5, cut=cut)
    write(folder / "snare take 4 OH.wav", late, start=start + cut)
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        yield cat


def test_delay_and_polarity_are_those_of_the_whole_take(scanned):
    hits = scanned.hits()
    assert len(hits) == len(AT_S)
    for hit in hits:
        mics = {mic.name: mic for mic in hit.microphones}
        assert mics["top"].delay_samples == 0
        assert mics["OH"].delay_samples == pytest.approx(DELAY, abs=1)
        assert mics["OH"].spread_samples == pytest.approx(0, abs=1)
        assert (mics["top"].polarity, mics["OH"].polarity) == (1, -1)


def test_the_microphone_of_opposite_polarity_is_a_fault_of_the_take(scanned):
    (fault,) = scanned.review.faults(kinds=["polarity"])
    assert scanned.hit(fault.hit_id).microphone == "OH"
    ids = [mic.hit_id for hit in scanned.hits() for mic in hit.microphones]
    scanned.review.dismiss_fault(ids, "polarity")
    assert scanned.review.faults(kinds=["polarity"]) == []


def test_microphones_prints_delays_in_ms_and_metres(scanned, tmp_path, capsys):
    hit, store = str(scanned.hits()[0].id), str(tmp_path / "drums.sqlite")
    assert main(["microphones", hit, "--store", store]) == 0
    assert "3.00 +- 0.00 ms    1.03 m  opposite polarity  OH" in capsys.readouterr().out
    assert main(["microphones", hit, "--json", "--store", store]) == 0
    value = json.loads(capsys.readouterr().out)
    assert [mic["name"] for mic in value["microphones"]] == ["top", "OH"]
    assert value["microphones"][1]["delay_ms"] == pytest.approx(3.0, abs=0.07)


def test_a_later_scan_measures_nothing_again(scanned, monkeypatch):
    monkeypatch.setattr("catalog.library.strokes.take_arrivals.measure_arrivals", None)
    revision = scanned.revision()
    scanned.scan([scanned.hits()[0].path.parent], n_jobs=1)
    assert scanned.revision() == revision
