"""All microphones of a stroke bear one damping, whatever changed before."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.kit.layers import strokes_of_drum
from catalog.library.metadata.damping import damping_of
from tests.signals import as_frames, drum_stroke

SR = 16_000  # Hz; low, so that measuring is quick
AT_S = (0.4, 1.5, 2.6)
LOSS = {"in": 1.0, "top": 0.5, "OH": 0.3}  # gain at a microphone, by the last word of its name


def write_take(folder, *names, at_s=AT_S):
    """Write a take of strokes of a snare, a file for each microphone."""
    folder.mkdir(exist_ok=True)
    samples = np.random.default_rng(3).normal(scale=2e-4, size=round(3.6 * SR))
    for number, start_s in enumerate(at_s):
        stroke = drum_stroke(180, seed=number, sr=SR, strength=1 - 0.3 * number)
        samples[round(start_s * SR) :][: len(stroke)] += stroke
    for name in names:
        frames = as_frames((LOSS[name.split()[-1]] * samples).astype(np.float32))
        (folder / f"{name}.wav").write_bytes(encode_wav(frames, sr=SR))


@pytest.fixture
def folder(tmp_path):
    write_take(tmp_path / "barn", "Snare cloth in", "Snare OH")
    return tmp_path / "barn"


def dampings(cat) -> list[str]:
    """Return the damping of each stroke; all readers must agree, in all its microphones."""
    rows = dict(cat.context.store.database.read("SELECT hit_id, damping FROM hit_search"))
    found = []
    for hit in cat.hits():
        of_stroke = {rows[mic.hit_id] for mic in hit.microphones}
        of_stroke |= {damping_of(cat.hit(mic.hit_id)) for mic in hit.microphones}
        assert len(of_stroke) == 1
        found.append(of_stroke.pop())
    return found


def main_and_other(cat, number=0):
    return [mic.hit_id for mic in cat.hits()[number].microphones]


def test_the_word_of_one_file_holds_for_all_microphones_and_all_readers(cat):
    assert [len(hit.microphones) for hit in cat.hits()] == [2, 2, 2]
    assert dampings(cat) == ["damped"] * 3
    assert cat.hits("damping:damped") == cat.hits()
    far = main_and_other(cat)[1]
    cat.duplicates.choose_microphone(far)
    assert dampings(cat) == ["damped"] * 3
    assert {hit.microphone for hit in cat.hits("damping:damped")} == {"in", "OH"}
    assert {found.stroke for found in cat.review.coverage().bins} == {"damped"}
    cat.scan([cat.hit(far).path.parent], n_jobs=1, again=True)
    assert dampings(cat) == ["damped"] * 3
    assert cat.review.check_store().is_whole


def test_the_nearest_of_two_files_decides(tmp_path):
    write_take(tmp_path / "barn", "Snare cloth OH", "Snare open in")
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([tmp_path / "barn"], n_jobs=1)
        assert dampings(cat) == ["open"] * 3


def test_a_person_names_it_through_any_microphone_and_undo_returns_it(cat, folder):
    near, far = main_and_other(cat, 1)
    cat.takes.set_names([far], damping="open")
    assert dampings(cat) == ["damped", "open", "damped"]
    assert len(strokes_of_drum(cat.hit(near), cat.hits())) == 1
    cat.scan([folder], n_jobs=1, again=True)
    assert dampings(cat) == ["damped", "open", "damped"]
    cat.files.undo()
    assert dampings(cat) == ["damped"] * 3
    cat.files.redo()
    assert dampings(cat) == ["damped", "open", "damped"]
    cat.takes.set_names([near], damping="")
    assert dampings(cat) == ["damped"] * 3


def test_a_tag_of_one_microphone_holds_for_its_stroke_until_it_is_undone(cat):
    far = main_and_other(cat, 2)[1]
    cat.annotations.tag([far], add=["open"])
    assert dampings(cat) == ["damped", "damped", "open"]
    cat.files.undo()
    assert dampings(cat) == ["damped"] * 3
    cat.annotations.annotate([far], add="ringing")
    assert dampings(cat) == ["damped", "damped", "open"]


def test_microphones_that_are_tied_later_take_part_and_leave_when_they_are_gone(tmp_path):
    folder = tmp_path / "barn"
    write_take(folder, "Snare OH")
    with Catalog.open(tmp_path / "drums.sqlite") as cat:
        cat.scan([folder], n_jobs=1)
        assert dampings(cat) == [""] * 3
        cat.takes.set_names([cat.hits()[0].id], damping="open")
        write_take(folder, "Snare cloth in")
        cat.scan([folder], n_jobs=1)
        assert dampings(cat) == ["open", "damped", "damped"]
        (folder / "Snare cloth in.wav").unlink()
        cat.scan([folder], n_jobs=1)
        assert [hit.microphone for hit in cat.hits(states=("here",))] == ["OH"] * 3
        assert [damping_of(hit) for hit in cat.hits(states=("here",))] == ["open", "", ""]
        gone = cat.hits(states=("missing",))[0].id
        assert damping_of(cat.hit(gone)) == "open"
        cat.takes.set_names([gone], damping="damped")
        assert damping_of(cat.hit(gone)) == "damped"
