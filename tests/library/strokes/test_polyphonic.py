"""A file with several microphones: one cut, one hit a stroke, a row for each microphone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from tests.signals import STROKE_LEAD_S, drum_stroke

SR = 48_000
DELAYS = (0, 40, 240, 250)  # samples, of the four channels
GAINS = (1.0, -0.5, 0.25, 0.24)
NAMES = ("Snare top", "Snare bottom", "OH L", "OH R")
ONSETS = (24_000, 96_000, 168_000, 240_000)
CUT_TOLERANCE = 96  # frames, 2 ms: the lead before an onset


def make_take(*, noise: float = 1e-4) -> np.ndarray:
    """Return four strokes of one drum through four channels, samples (n, 4)."""
    rng = np.random.default_rng(3)
    take = rng.normal(scale=noise, size=(ONSETS[-1] + 2 * SR, 4))
    for number, onset in enumerate(ONSETS):
        stroke = 0.4 * drum_stroke(200, seed=number)
        for channel, (delay, gain) in enumerate(zip(DELAYS, GAINS, strict=True)):
            take[onset + delay : onset + delay + len(stroke), channel] += gain * stroke
    return take.astype(np.float32)


def ixml(names) -> bytes:
    """Return an iXML chunk with a track list (the iXML specification's TRACK_LIST)."""
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{n}</CHANNEL_INDEX><NAME>{name}</NAME></TRACK>"
        for n, name in enumerate(names, start=1)
    )
    text = f"<BWFXML><TRACK_LIST>{tracks}</TRACK_LIST></BWFXML>".encode()
    text += b" " * (len(text) % 2)
    return b"iXML" + len(text).to_bytes(4, "little") + text


def write(path: Path, samples: np.ndarray, names=()) -> Path:
    data = encode_wav(samples, sr=SR, subtype="PCM_24")
    if names:
        data += ixml(names)
        data = data[:4] + (len(data) - 8).to_bytes(4, "little") + data[8:]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


@pytest.fixture
def cat(tmp_path):
    with Catalog.open(tmp_path / "store" / "drums.sqlite") as cat:
        yield cat


@pytest.fixture
def take(tmp_path):
    return write(tmp_path / "barn" / "snare take 1.wav", make_take(), NAMES)


def test_a_take_with_four_channels_gives_one_hit_a_stroke(cat, take):
    cat.scan([take.parent], n_jobs=1)
    hits = cat.hits()
    onsets = [at + round(STROKE_LEAD_S * SR) for at in ONSETS]
    assert [hit.start for hit in hits] == pytest.approx(onsets, abs=CUT_TOLERANCE)
    for hit in hits:
        assert [mic.name for mic in hit.microphones] == ["Snare top", "Snare bottom", "OH"]
        assert [mic.channels for mic in hit.microphones] == [(1,), (2,), (3, 4)]
        assert (hit.microphone, hit.channels, hit.n_channels) == ("Snare top", (1,), 1)
        others = [cat.hit(mic.hit_id) for mic in hit.microphones]
        assert {(other.start, other.stop, other.region) for other in others} == {
            (hit.start, hit.stop, hit.region)
        }


def test_delay_and_polarity_are_those_that_the_take_was_made_with(cat, take):
    cat.scan([take.parent], n_jobs=1)
    for hit in cat.hits():
        mics = {mic.name: mic for mic in hit.microphones}
        assert mics["Snare top"].delay_samples == 0
        assert mics["Snare bottom"].delay_samples == pytest.approx(40, abs=1)
        assert mics["OH"].delay_samples == pytest.approx(245, abs=8)
        assert [mic.polarity for mic in hit.microphones] == [1, -1, 1]


def test_audio_is_that_of_one_microphone_and_never_a_sum(cat, take):
    cat.scan([take.parent], n_jobs=1)
    hit, whole = cat.hits()[0], make_take()
    for mic in hit.microphones:
        columns = [channel - 1 for channel in mic.channels]
        expected = whole[hit.start : hit.stop, columns]
        np.testing.assert_allclose(cat.audio(mic.hit_id).samples, expected, atol=2**-22)


def test_channels_without_names_are_numbered_and_pairs_are_found_by_measurement(cat, tmp_path):
    write(tmp_path / "barn" / "take 1.wav", make_take())
    cat.scan([tmp_path / "barn"], n_jobs=1)
    assert [mic.name for mic in cat.hits()[0].microphones] == ["ch 1", "ch 2", "ch 3-4"]


def test_a_stereo_file_stays_one_stereo_microphone(cat, tmp_path):
    write(tmp_path / "barn" / "take 1.wav", make_take()[:, 2:])
    cat.scan([tmp_path / "barn"], n_jobs=1)
    assert {(hit.n_channels, hit.channels, len(hit.microphones)) for hit in cat.hits()} == {
        (2, (), 1)
    }


def test_two_named_microphones_in_a_stereo_file_are_two(cat, tmp_path):
    write(tmp_path / "barn" / "take 1.wav", make_take()[:, :2], NAMES[:2])
    cat.scan([tmp_path / "barn"], n_jobs=1)
    assert {len(hit.microphones) for hit in cat.hits()} == {2}


def test_the_second_scan_measures_nothing_and_keeps_the_strokes(cat, take):
    cat.scan([take.parent], n_jobs=1)
    hits, revision = cat.hits(), cat.revision()
    report = cat.scan([take.parent], n_jobs=1)
    assert (len(report.unchanged), cat.revision()) == (1, revision)
    assert cat.hits() == hits


def test_a_region_is_moved_for_all_microphones(cat, take):
    cat.scan([take.parent], n_jobs=1)
    hit = cat.hits()[1]
    moved = cat.takes.move_region(hit.id, start=hit.start - 480, stop=hit.stop - 480)
    assert (len(moved), len(cat.hits())) == (4, 4)
    assert [mic.name for mic in cat.hit(hit.id).microphones] == ["Snare top", "Snare bottom", "OH"]
    assert cat.hit(hit.id).start == hit.start - 480
    assert {cat.hit(m.hit_id).start for m in cat.hit(hit.id).microphones} == {hit.start - 480}


def test_a_mix_that_the_user_chose_makes_one_microphone_of_the_file(cat, take):
    cat.scan([take.parent], n_jobs=1)
    ids = {mic.hit_id for mic in cat.hits()[0].microphones}
    cat.takes.set_mix(cat.hits()[0].id, "aligned")
    hits = cat.hits()
    assert [len(hit.microphones) for hit in hits] == [1, 1, 1, 1]
    assert hits[0].id in ids
    assert hits[0].channels == ()


def test_setting_aside_moves_a_file_with_one_stroke_but_not_a_take(cat, take, tmp_path):
    one = make_take()[: ONSETS[1] - 4800]
    write(tmp_path / "barn" / "rim 1.wav", one, NAMES)
    cat.scan([take.parent], n_jobs=1)
    single = next(hit for hit in cat.hits() if hit.stem == "rim 1")
    (event,) = cat.set_aside([single.id], reason="test")
    assert event.source.name == "rim 1.wav"
    assert {cat.hit(mic.hit_id).state for mic in single.microphones} == {"aside"}
    cat.files.undo(everything=True)
    assert cat.hit(single.id) == single
    stroke = next(hit for hit in cat.hits() if hit.stem != "rim 1")
    assert "shares its file" in cat.files.obstacles([stroke.id])[stroke.id]


def test_a_moved_file_keeps_the_names_of_its_microphones(cat, take):
    cat.scan([take.parent], n_jobs=1)
    before = [[mic.name for mic in hit.microphones] for hit in cat.hits()]
    take.rename(take.with_name("snare take 2.wav"))
    report = cat.scan([take.parent], n_jobs=1)
    assert len(report.moved) == 1
    assert [[mic.name for mic in hit.microphones] for hit in cat.hits()] == before
