"""Constrained searches: the requested descriptors moved, other hits are left out."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from catalog.audio.encode import encode_wav
from catalog.catalog import Catalog
from catalog.errors import AudioError, ParameterError
from catalog.search.constraints import (
    CONSTRAINT_WORDS,
    MIN_PROGRESS,
    Constraint,
    apply_constraints,
    parse_constraints,
)
from catalog.search.drums.drum_pitch import DrumPitch
from tests.kit.drums import make_hit
from tests.signals import SR, as_frames, drum_stroke

START = {
    "length_s": 0.4, "centroid_hz": 1000.0, "body_hz": 200.0, "decay20_s": 0.2, "flatness": 0.1,
    "loudness_lkfs": -20.0, "width": 0.0, "attack_s": 0.0, "decay60_s": math.nan,
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Forty drums of all pitches and lengths."""
    root = tmp_path_factory.mktemp("many")
    rng = np.random.default_rng(2)
    for number in range(40):
        y = drum_stroke(rng.uniform(70, 300), seed=number)
        y = y * np.exp(-np.arange(len(y)) / SR / rng.uniform(0.03, 0.6))
        y *= 10 ** (rng.uniform(-12, 0) / 20)
        (root / f"{number:02}.wav").write_bytes(encode_wav(as_frames(y), sr=SR))
    return root


@pytest.fixture(scope="module")
def cat(folder, tmp_path_factory):
    with Catalog.open(tmp_path_factory.mktemp("s") / "s.sqlite") as opened:
        opened.scan([folder], n_jobs=1)
        yield opened


def numbers_of(cat, hit):
    """Descriptors with the pitch of the drum in place of the body of the stroke."""
    pitch = cat.search.drum_pitch(hit.id)
    return {**hit.descriptors, "body_hz": math.nan if pitch is None else pitch.hz}


@pytest.mark.parametrize("word", CONSTRAINT_WORDS)
def test_the_requested_descriptor_moved_in_the_answers(cat, word):
    """For all hits with the descriptor; the target is 95 % of the first ten answers."""
    right, n_answers = 0, 0
    for hit in cat.hits():
        start = numbers_of(cat, hit)
        if any(not math.isfinite(start[name]) for name in CONSTRAINT_WORDS[word]):
            continue
        for match in cat.similar(hit.id, 10, but=word):
            other = numbers_of(cat, match.hit)
            n_answers += 1
            right += all(
                (other[name] - start[name]) * (1 if str(change)[0] != "-" else -1) > 0
                for name, change in CONSTRAINT_WORDS[word].items()
            )
    assert n_answers > 100
    assert right >= 0.95 * n_answers


def test_constrained_results_remain_similar(cat):
    """Check that the first darker results are more similar than darker hits on average."""
    hit = cat.hits()[5]
    every = {m.hit_id: m.distance for m in cat.similar(hit.id)}
    darker = [m.hit_id for m in cat.similar(hit.id, but="darker")]
    assert len(darker) > 5
    assert np.mean([every[i] for i in darker[:3]]) < np.mean([every[i] for i in darker])


def test_an_impossible_constraint_has_no_results(cat):
    longest = max(cat.hits(), key=lambda h: h.descriptors["length_s"])
    assert cat.similar(longest.id, but="longer") == []


def test_numbers_and_words_may_be_mixed():
    constraints = parse_constraints({"length_s": -0.1, "centroid_hz": "+20%", "lower": True}, START)
    assert [c.descriptor for c in constraints] == ["length_s", "centroid_hz", "body_hz"]
    steps = [math.log(0.3 / 0.4), math.log(1.2), math.log(0.84)]
    assert [c.step for c in constraints] == pytest.approx(steps)


def test_words_for_one_descriptor_add_up_in_any_order():
    for words in (["harder", "darker"], ["darker", "harder"]):
        steps = {w.descriptor: w.step for w in parse_constraints(words, START)}
        assert steps["centroid_hz"] == pytest.approx(math.log(0.8 * 1.1))


def test_decibels_change_by_difference():
    (constraint,) = parse_constraints({"loudness_lkfs": 4}, START)
    assert constraint.progress(-20.0, np.array([-20.0, -18.0, -16.0])) == pytest.approx([0, 0.5, 1])


@pytest.mark.parametrize("name", ["width", "mode_share"])
def test_numbers_that_can_be_0_change_by_difference(name):
    (constraint,) = parse_constraints({name: 0.2}, {**START, "mode_share": 0.0})
    assert constraint.progress(0.0, np.array([0.0, 0.1, 0.2])) == pytest.approx([0, 0.5, 1])


@pytest.mark.parametrize(
    ("but", "words"),
    [
        ("crunchier", "crunchier.*words are shorter"),
        (["darker", "crunchier"], "crunchier"),
        ({"crunch": 1}, "crunch.*numbers length_s"),
        ({"darker": 3}, "takes no number"),
        (["darker", "brighter"], "no change"),
        ({"length_s": "a bit"}, "must be a number or per cent"),
        ({"length_s": None}, "must be a number or per cent"),
        ({"length_s": 0}, "no change"),
        ({"length_s": -0.5}, "cannot fall"),
        ({"loudness_lkfs": "+20%"}, "by decibels"),
        ({"decay60_s": "+20%"}, "not defined"),
        ({"attack_s": "+20%"}, "not defined"),
    ],
)
def test_invalid_constraints_are_rejected(but, words):
    with pytest.raises(ParameterError, match=words):
        parse_constraints(but, START)


def test_hits_without_the_descriptor_are_excluded(cat):
    hits = cat.hits()[:2]
    is_allowed, distances = apply_constraints(
        [Constraint("nothing", 1.0)], {"nothing": 1.0}, hits, distances=np.zeros(2), pitches={}
    )
    assert is_allowed.tolist() == [False, False]
    assert np.isfinite(distances).all()


def test_lower_goes_by_the_pitch_of_the_drum_and_not_of_the_stroke():
    hits = [make_hit(i, "tom", body=hz) for i, hz in ((1, 50.0), (2, 100.0), (3, 50.0))]
    pitches = {1: DrumPitch(100.0, 1.0, 9, ""), 2: DrumPitch(50.0, 1.0, 9, "")}
    (lower,) = parse_constraints("lower", {"body_hz": 100.0})
    is_allowed, _ = apply_constraints(
        [lower], {"body_hz": 100.0}, hits, distances=np.zeros(3), pitches=pitches
    )
    assert is_allowed.tolist() == [False, True, False]  # the third has no clear pitch


def test_a_quarter_of_the_step_is_enough():
    constraint = Constraint("centroid_hz", math.log(2.0))
    values = np.array([2.0**0.24, 2.0**0.26])
    assert (constraint.progress(1.0, values) >= MIN_PROGRESS).tolist() == [False, True]


def test_a_file_outside_the_catalog_can_be_searched_from(cat, tmp_path):
    inside = cat.hits()[7]
    outside = tmp_path / "phone memo.wav"
    outside.write_bytes(inside.path.read_bytes())
    found = cat.similar(outside, 5)
    assert found[0].hit_id == inside.id
    by_id = cat.similar(inside.id, 4)
    assert [m.hit_id for m in found[1:]] == [m.hit_id for m in by_id]
    assert cat.reasons(outside, inside.id)[-1].startswith("from ")


def test_an_unusable_file_is_reported(cat, tmp_path):
    (tmp_path / "quiet.wav").write_bytes(encode_wav(np.zeros((500, 1)), sr=SR))
    with pytest.raises(AudioError, match=r"quiet\.wav: holds no stroke"):
        cat.similar(tmp_path / "quiet.wav")
    with pytest.raises(AudioError, match="cannot be read"):
        cat.similar(tmp_path / "gone.wav")
