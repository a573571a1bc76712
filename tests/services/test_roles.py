"""What a library teaches of roles is asked, doubted, explained and forgotten."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.errors import ParameterError
from catalog.search.roles import explanation

SR = 16_000  # Hz; low, so that measuring is quick


def stroke(hz: float, seed: int) -> bytes:
    t = np.arange(SR // 4) / SR
    noise = np.random.default_rng(seed).normal(scale=0.1, size=t.size)
    samples = (np.sin(2 * np.pi * hz * t) + noise) * np.exp(-t / 0.04) * 0.5
    return encode_wav(samples.astype(np.float32), sr=SR)


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """A store of ten kicks, one of them misnamed, four toms and five strokes without a role."""
    folder = tmp_path_factory.mktemp("roles") / "barn"
    folder.mkdir()
    names = [*(f"kick_{k:02}" for k in range(9)), "snare_01"]
    for seed, name in enumerate(names):
        (folder / f"{name}.wav").write_bytes(stroke(70, seed))
    for seed in range(4):
        (folder / f"tom_{seed}.wav").write_bytes(stroke(240, 20 + seed))
    for seed in range(5):
        (folder / f"x_{seed}.wav").write_bytes(stroke(1500, 40 + seed))
    store = folder.with_name("drums.sqlite")
    with Catalog.open(store) as cat:
        cat.scan([folder], n_jobs=1)
    return store


@pytest.fixture
def cat(scanned, tmp_path):
    """A catalog over a copy of that store."""
    with Catalog.open(shutil.copy(scanned, tmp_path / "drums.sqlite")) as cat:
        yield cat


def find(cat, name):
    return next(hit for hit in cat.hits() if hit.name == name)


def test_a_misnamed_hit_is_listed_kept_and_settled_by_an_answer(cat):
    wrong = find(cat, "snare_01")
    (doubt,) = cat.roles.doubts()
    assert (doubt.hit_id, doubt.named, doubt.heard) == (wrong.id, "snare", "kick")
    assert doubt.n_clear - doubt.n_fitting == 1
    assert [hit.id for hit in cat.hits(misnamed=True)] == [wrong.id]
    assert (wrong.role, wrong.role_source) == ("snare", "name")  # it is a question, not a change
    assert wrong.id in {i for question in cat.roles.questions() for i in question.hit_ids}
    assert "but it sounds like kick" in str(cat.roles.reason(wrong.id))
    cat.set_role(wrong.id, "kick")
    assert cat.hits("misnamed:yes") == [] == cat.roles.doubts()
    cat.undo()
    assert [hit.id for hit in cat.hits("misnamed:yes")] == [wrong.id]


def test_a_role_is_explained_by_its_source_its_neighbors_and_its_sound(cat):
    reason = cat.roles.reason(find(cat, "kick_03").id)
    assert reason.source == "name"
    assert reason.reasons[0] == "named so"
    assert reason.reasons[1] == "8 of the 10 nearest known hits are kick"
    assert reason.reasons[-1].startswith("sound alone: ")
    assert str(reason).startswith("kick: named so; ")


def test_a_large_library_is_not_read_to_explain_a_role_that_a_name_gives(cat, monkeypatch):
    named, unknown = find(cat, "kick_03").id, find(cat, "x_0").id
    monkeypatch.setattr(explanation, "MOST_READ", 0)
    assert not any("nearest known" in text for text in cat.roles.reason(named).reasons)
    assert any("near it" in text for text in cat.roles.reason(unknown).reasons)


def test_strokes_without_a_role_are_one_question_and_its_answer_names_them_all(cat):
    unknown = {find(cat, f"x_{k}").id for k in range(5)}
    question = next(q for q in cat.roles.questions() if unknown & set(q.hit_ids))
    assert set(question.hit_ids) <= unknown
    assert len(question.likely) == len(question.chances) == 4
    cat.annotations.set_role(question.hit_ids, "wood")
    assert {cat.hit(i).role for i in unknown} == {"wood"}
    assert not unknown & {i for q in cat.roles.questions() for i in q.hit_ids}


def test_no_questions_are_refused(cat):
    with pytest.raises(ParameterError, match="n=0 must be at least 1"):
        cat.roles.questions(0)


def test_what_was_learned_is_forgotten_and_learned_again(cat):
    first, other = find(cat, "x_0"), find(cat, "x_1")
    cat.set_role(first.id, "cowbell")
    assert (cat.hit(other.id).role, cat.hit(other.id).role_source) == ("cowbell", "example")
    assert cat.roles.summary().learned_from_these == 4
    shifts = cat.roles.forget()
    assert other.id in {shift.hit_id for shift in shifts}
    assert (cat.hit(first.id).role, cat.hit(other.id).role_source) == ("cowbell", "sound")
    assert (cat.roles.summary().learns, cat.roles.doubts()) == (False, [])
    cat.scan([first.path.parent], n_jobs=1)
    assert cat.hit(other.id).role_source == "sound"  # a scan does not learn again
    assert cat.roles.forget() == []
    cat.roles.forget(forget=False)
    assert cat.hit(other.id).role == "cowbell"
    cat.undo()
    assert cat.roles.is_forgotten
    cat.undo()
    assert not cat.roles.is_forgotten
    assert cat.hit(other.id).role == "cowbell"
    assert len(cat.roles.doubts()) == 1
