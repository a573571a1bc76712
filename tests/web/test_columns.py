from __future__ import annotations

import gc
from dataclasses import replace

import numpy as np
import pytest

from catalog.web import state
from catalog.web.columns import make_columns, match_level, update_columns
from catalog.web.payloads import find_dense_regions
from catalog.web.search import (
    QueryAnswer,
    SearchConditions,
    answer_query,
    find_rows,
    make_mask,
    read_conditions,
)
from catalog.web.state import page


def some_hits() -> list:
    hits = page().catalog.hits()
    marked = [replace(hit, mark="master", tags=("dry", "loft")) for hit in hits[:3]]
    return [
        *marked,
        replace(hits[3], mark="no-good", tags=("dry",), remark="Wire came loose"),
        *hits[4:],
    ]


def plain_fits(hit, conditions: SearchConditions) -> bool:
    """Whether one hit meets the conditions, written plainly."""
    return (
        (not conditions.roles or hit.role in conditions.roles)
        and (not conditions.sessions or hit.session in conditions.sessions)
        and (hit.mark or "none") in (conditions.marks or ("none", "master", "spare"))
        and set(conditions.tags) <= set(hit.tags)
        and all(
            (low is None or hit.descriptors[name] >= low)
            and (high is None or hit.descriptors[name] <= high)
            for name, (low, high) in conditions.ranges.items()
        )
        and not (conditions.unsure and (hit.role_source == "user" or hit.role_confidence >= 0.6))
    )


@pytest.mark.parametrize(
    "conditions",
    [
        SearchConditions(marks=("master",)),
        SearchConditions(marks=("none", "no-good")),
        SearchConditions(tags=("dry", "loft")),
        SearchConditions(roles=("kick", "crash"), sessions=("Shed second sitting",)),
        SearchConditions(ranges={"centroid_hz": (None, 2000.0), "length_s": (0.2, None)}),
        SearchConditions(ranges={"body_hz": (40.0, 400.0)}),
        SearchConditions(unsure=True),
        SearchConditions(
            tags=("dry",), marks=("master", "no-good"), ranges={"peak_db": (-90.0, 0.0)}
        ),
    ],
)
def test_a_search_finds_the_hits_that_meet_it_one_by_one(used, conditions):
    hits = some_hits()
    found = find_rows(make_columns(hits), conditions)
    assert list(found) == [plain_fits(hit, conditions) for hit in hits]


def test_hits_marked_no_good_are_shown_if_the_query_names_marks(used):
    hits = some_hits()
    columns, ids = make_columns(hits), np.array([hit.id for hit in hits])
    for is_named, n in ((False, 22), (True, 23)):
        answer = QueryAnswer(ids, no_good=is_named)
        assert find_rows(columns, SearchConditions(), answer).sum() == n
    assert answer_query(page().catalog, "mark:no-good").no_good


def test_conditions_are_read_from_what_the_browser_sends():
    sent = {"query": "dry", "tags": ["loft"], "ranges": {"length_s": [0.1, None]}, "unsure": True}
    read = SearchConditions("dry", tags=("loft",), ranges={"length_s": (0.1, None)}, unsure=True)
    assert read_conditions(sent) == read
    assert read_conditions({}) == SearchConditions()
    for wrong in (
        None,
        [],
        {"query": 3},
        {"tags": [1]},
        {"marks": ["good"]},
        {"ranges": {"length_s": [1]}},
    ):
        with pytest.raises(ValueError, match=r"not understood|two ends"):
            read_conditions(wrong)


def test_strength_is_the_rank_among_the_strokes_of_one_drum(used):
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


def test_updated_columns_equal_new_ones(used):
    hits = page().catalog.hits()
    first = make_columns(hits)
    changed = list(hits)
    changed[2] = replace(hits[2], mark="master", tags=("loft",), role="wood", role_source="user")
    changed[5] = replace(hits[5], descriptors={**hits[5].descriptors, "loudness_lkfs": -3.0})
    for now in (changed, changed[1:], [replace(hits[0], session="elsewhere"), *hits[1:]]):
        made, plain = update_columns((hits, first), now), make_columns(now)
        assert (made.tags, made.sessions) == (plain.tags, plain.sessions)
        for name in (
            "ids", "stamps", "match_db", "roles", "marks", "session_of", "sure", "strength",
        ):  # fmt: skip
            np.testing.assert_array_equal(getattr(made, name), getattr(plain, name))
        for name, values in plain.numbers.items():
            np.testing.assert_array_equal(made.numbers[name], values)
    assert first.marks[2] == 0


def test_the_hits_of_a_large_library_are_excluded_from_garbage_collection(used, monkeypatch):
    monkeypatch.setattr(state, "FREEZE_HITS", 23)
    before = gc.get_freeze_count()
    hits = page().hits()
    assert page().columns() is page().columns()  # made once for each state of the catalog
    assert list(page().columns().ids) == [hit.id for hit in hits]
    try:
        assert gc.get_freeze_count() > before
        seen = set(map(id, gc.get_objects()))
        assert not any(id(hit) in seen for hit in hits)
    finally:
        gc.unfreeze()


def test_a_mask_has_a_bit_for_each_point_that_fits(used):
    hits = page().catalog.hits()
    columns, ids = make_columns(hits), np.array([hit.id for hit in reversed(hits)])
    conditions = SearchConditions(
        sessions=("Shed second sitting",), ranges={"length_s": (0.0, 9.0)}
    )
    answer = answer_query(page().catalog, "TOM session:second")
    mask = make_mask(columns, ids, conditions, answer)
    bits = np.unpackbits(np.frombuffer(mask, np.uint8))[: len(ids)]
    fitting = {h.id for h in hits if h.role == "tom" and h.session == "Shed second sitting"}
    assert set(ids[bits == 1]) == fitting
    assert len(fitting) == 2
    good = make_mask(make_columns(some_hits()), ids, SearchConditions())
    assert np.unpackbits(np.frombuffer(good, np.uint8)).sum() == 22  # one is marked no good
    assert not any(make_mask(columns, ids, SearchConditions(ranges={"not_measured": (0.0, 1.0)})))


def test_regions_are_labeled_where_most_hits_of_a_role_lie():
    rng = np.random.default_rng(0)
    cluster = 0.2 + 0.01 * rng.normal(size=(20, 2))
    xy = np.concatenate([cluster, [[0.9, 0.9]], [[0.5, 0.5]]])
    ((role, x, y),) = find_dense_regions(xy, np.array([1] * 21 + [0], dtype=np.uint8))
    assert role == "snare"
    assert (x, y) == pytest.approx((0.2, 0.2), abs=0.05)


def test_auditions_are_matched_in_loudness_within_the_peak_limit(used):
    for hit in page().catalog.hits():
        level = hit.played_lkfs + match_level(hit)
        peak = hit.descriptors["peak_db"] + match_level(hit)
        assert peak <= -3.0 + 1e-9
        assert level == pytest.approx(-27.0) or peak == pytest.approx(-3.0)
