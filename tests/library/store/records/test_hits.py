from __future__ import annotations

import contextlib
import gc
import math
import sqlite3
from dataclasses import fields

import numpy as np
import pytest

from catalog.errors import ParameterError, StoreError
from catalog.library.store.records.hits import gc_paused
from catalog.library.store.store import Store
from catalog.models import Hit


def test_hits_read_after_reopening_are_equal(scanned):
    hits = scanned.hits.read()
    numbers = scanned.hits.embeddings([hit.id for hit in hits])
    scanned.close()
    with Store.open(scanned.path) as again:
        assert repr(again.hits.read()) == repr(hits)  # repr, since NaN is not equal to itself
        np.testing.assert_array_equal(again.hits.embeddings([hit.id for hit in hits]), numbers)


def test_an_undefined_descriptor_is_read_as_nan(scanned):
    hit = scanned.hits.read()[0]
    with scanned.writing() as db:
        db.execute("UPDATE hit SET descriptors = ? WHERE id = ?", ('{"length_s": null}', hit.id))
    assert math.isnan(scanned.hits.get(hit.id).descriptors["length_s"])


def test_arrays_are_in_the_order_of_the_ids(scanned):
    ids = [hit.id for hit in scanned.hits.read()]
    table = scanned.hits.embeddings(ids)
    assert table.dtype == np.float32
    np.testing.assert_array_equal(scanned.hits.embeddings(ids[::-1]), table[::-1])
    np.testing.assert_array_equal(scanned.hits.embeddings([ids[2], ids[2]]), table[[2, 2]])
    assert scanned.hits.embeddings([]).shape[0] == 0
    assert scanned.hits.role_probabilities(ids).shape == (len(ids), 20)
    with pytest.raises(StoreError, match="hit 777 is not"):
        scanned.hits.production([ids[0], 777])


def test_setting_a_role_is_recorded_and_changes_the_revision(scanned):
    hit, before = scanned.hits.read()[0], scanned.revision()
    scanned.hits.set_role(hit.id, "clap")
    now = scanned.hits.get(hit.id)
    assert (now.role, now.role_confidence, now.role_source) == ("clap", 1.0, "user")
    assert scanned.revision() > before
    event = scanned.history.read()[-1]
    assert (event.action, event.hit_id, event.reason) == ("role", hit.id, f"{hit.role} -> clap")


def test_an_unknown_role_state_or_id_is_refused(scanned):
    with pytest.raises(ParameterError, match=r"role='banjo' is unknown; roles are kick, snare"):
        scanned.hits.set_role(1, "banjo")
    with pytest.raises(StoreError, match="hit 404 is not in this store"):
        scanned.hits.set_role(404, "kick")
    with pytest.raises(ParameterError, match="'lost'; known are here, missing, aside"):
        scanned.hits.read(states=("lost",))


def test_unchanged_hits_are_the_same_objects_when_read_again(scanned):
    before = scanned.hits.read()
    scanned.hits.set_role(before[0].id, "cowbell")
    after = scanned.hits.read()
    assert (after[0].role, after[0].role_source) == ("cowbell", "user")
    assert all(old is new for old, new in zip(before[1:], after[1:], strict=True))
    assert [scanned.hits.get(hit.id) for hit in after] == after


def test_descriptors_measured_again_are_read_again(scanned):
    hit = scanned.hits.read()[0]
    with scanned.writing() as db:
        db.execute(
            "UPDATE hit SET descriptors = ?, version = version + 1 WHERE id = ?",
            ('{"length_s": 3.5}', hit.id),
        )
    assert scanned.hits.read()[0].descriptors == {"length_s": 3.5}


def test_collection_is_off_inside_and_on_again_after_an_exception():
    def fail():
        with gc_paused():
            seen.append(gc.isenabled())
            raise RuntimeError("a fault")

    seen: list[bool] = []
    with pytest.raises(RuntimeError, match="a fault"):
        fail()
    assert seen == [False]
    assert gc.isenabled()


def test_collection_stays_off_if_it_was_off():
    gc.disable()
    try:
        with gc_paused():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()


@pytest.mark.parametrize(
    "change",
    [
        "role = 'snarf'", "role_source = 'x'", "mark = 'kgep'", "tags = '[\"a'", "tags = '7'",
        "names = '{'", "names = '[1]'", "origin = '{'", "descriptors = '{'", "descriptors = '[1]'",
    ],
)  # fmt: skip
def test_a_damaged_row_is_named_in_a_sentence(scanned, change):
    with contextlib.closing(sqlite3.connect(scanned.path)) as db, db:
        db.execute(f"UPDATE hit SET {change} WHERE id = 2")
    with pytest.raises(StoreError, match=r"hit 2 is damaged .*`catalog check`"):
        scanned.hits.get(2)


def test_a_hit_that_was_read_has_exactly_the_fields_of_its_class(scanned):
    for hit in scanned.hits.read():
        assert vars(hit).keys() == {field.name for field in fields(Hit)}
        assert hit == Hit(**vars(hit))
