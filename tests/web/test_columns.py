from __future__ import annotations

import gc
from dataclasses import replace

import numpy as np
import pytest

from catalog.web import state
from catalog.web.columns import make_columns, update_columns
from catalog.web.state import page
from catalog.web.views.browse.search_filter import Wanted, find_rows, summarize


def some_hits() -> list:
    hits = page().catalog.hits()
    marked = [replace(hit, mark="star", tags=("dry", "loft")) for hit in hits[:3]]
    return [
        *marked,
        replace(hits[3], mark="reject", tags=("dry",), remark="Wire came loose"),
        *hits[4:],
    ]


def plain_fits(hit, wanted: Wanted) -> bool:
    """The same question put to one hit in plain words."""
    text = " ".join((hit.name, hit.session, hit.role, hit.mark, hit.remark, *hit.tags)).casefold()
    return (
        all(word in text for word in wanted.words.casefold().split())
        and (not wanted.roles or hit.role in wanted.roles)
        and (not wanted.sessions or hit.session in wanted.sessions)
        and (not wanted.marks or (hit.mark or "none") in wanted.marks)
        and set(wanted.tags) <= set(hit.tags)
        and all(
            (low is None or hit.descriptors[name] >= low)
            and (high is None or hit.descriptors[name] <= high)
            for name, (low, high) in wanted.ranges.items()
        )
        and not (wanted.unsure and (hit.role_source == "user" or hit.role_confidence >= 0.6))
    )


@pytest.mark.parametrize(
    "wanted",
    [
        Wanted(words="WIRE loose"),
        Wanted(words="star shed"),
        Wanted(marks=("star",)),
        Wanted(marks=("none", "reject")),
        Wanted(tags=("dry", "loft")),
        Wanted(roles=("kick", "crash"), sessions=("Shed second sitting",)),
        Wanted(ranges={"centroid_hz": (None, 2000.0), "length_s": (0.2, None)}),
        Wanted(ranges={"body_hz": (40.0, 400.0)}),
        Wanted(unsure=True),
        Wanted(words="dry", marks=("star", "reject"), ranges={"peak_db": (-90.0, 0.0)}),
    ],
)
def test_a_question_finds_the_hits_that_answer_it_one_by_one(used, wanted):
    hits = some_hits()
    found = find_rows(make_columns(hits), wanted)
    assert list(found) == [plain_fits(hit, wanted) for hit in hits]


def test_what_there_is_to_choose_from_is_what_hits_have(used):
    summary = summarize(make_columns(some_hits()))
    assert summary.marks == ("none", "reject", "star")
    assert summary.tags == ("dry", "loft")
    low, high = summary.spans["length_s"]
    assert low == min(hit.descriptors["length_s"] for hit in some_hits())
    assert high == max(hit.descriptors["length_s"] for hit in some_hits())


def test_strength_is_the_place_among_the_strokes_of_one_drum(used):
    hits = page().catalog.hits()[:5]
    levels = (-20.0, -31.0, -25.0, -25.0, -9.0)
    drum = [
        replace(hit, drum="low tom", role="tom", session="s", microphone="",
                descriptors={**hit.descriptors, "loudness_lkfs": level})
        for hit, level in zip(hits, levels, strict=True)
    ]  # fmt: skip
    assert list(make_columns(drum[:4]).strength) == pytest.approx([1.0, 0.0, 2 / 3, 2 / 3])
    alone = [*drum[:4], replace(drum[4], drum="another")]
    assert np.isnan(make_columns(alone).strength[4])


def test_columns_are_made_only_once_for_each_state_of_the_catalog(used):
    assert page().columns() is page().columns()
    assert list(page().columns().ids) == [hit.id for hit in page().hits()]


def test_columns_after_a_change_are_those_read_from_nothing(used):
    hits = page().catalog.hits()
    first = make_columns(hits)
    changed = list(hits)
    changed[2] = replace(hits[2], mark="star", tags=("loft",), role="wood", role_source="user")
    changed[5] = replace(hits[5], descriptors={**hits[5].descriptors, "loudness_lkfs": -3.0})
    for some in (changed, changed[1:], [replace(hits[0], session="elsewhere"), *hits[1:]]):
        made, plain = update_columns((hits, first), some), make_columns(some)
        assert (made.texts, made.tags, made.sessions) == (plain.texts, plain.tags, plain.sessions)
        for name in (
            "ids",
            "stamps",
            "match_db",
            "roles",
            "marks",
            "session_of",
            "sure",
            "strength",
        ):
            np.testing.assert_array_equal(getattr(made, name), getattr(plain, name))
        for name, values in plain.numbers.items():
            np.testing.assert_array_equal(made.numbers[name], values)
    assert first.marks[2] == 0


def test_the_hits_of_a_large_library_are_excluded_from_garbage_collection(used, monkeypatch):
    monkeypatch.setattr(state, "FREEZE_HITS", 23)
    before = gc.get_freeze_count()
    hits = page().hits()
    try:
        assert gc.get_freeze_count() > before
        seen = {id(one) for one in gc.get_objects()}
        assert not any(id(hit) in seen for hit in hits)
    finally:
        gc.unfreeze()
