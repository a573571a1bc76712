from __future__ import annotations

import itertools

import pytest

from catalog.errors import StoreError
from catalog.library.files.set_aside import hide_hits, restore_hits, set_aside_hits
from catalog.library.files.undo import UndoResult, undo_steps
from tests.library.files.conftest import snapshot


def test_one_call_is_one_step(scanned):
    ids = [hit.id for hit in scanned.hits.read()]
    set_aside_hits(scanned, ids[:2], reason="")
    hide_hits(scanned, ids[2:4])
    restore_hits(scanned, ids[:2])
    steps = [event.step for event in scanned.history.read()]
    assert [len(list(group)) for _, group in itertools.groupby(steps)] == [2, 2, 2]
    assert sorted(set(steps)) == list(dict.fromkeys(steps))


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_steps_are_undone_in_any_order(scanned, library, order):
    before, hits = snapshot(library), scanned.hits.read()
    a, b, c, d = (hit.id for hit in hits[:4])
    steps = [
        set_aside_hits(scanned, [a, b], reason="")[0].step,
        hide_hits(scanned, [c])[0].step,
        set_aside_hits(scanned, [d], reason="")[0].step,
    ]
    touched = [{a, b}, {c}, {d}]
    back: set[int] = set()
    for k in order:
        undone = undo_steps(scanned, [steps[k]])
        assert {event.hit_id for event in undone.events} == touched[k]
        assert undone.left == ()
        back |= touched[k]
        assert {h.id for h in scanned.hits.read()} == {h.id for h in hits} - ({a, b, c, d} - back)
    assert scanned.hits.read() == hits
    assert snapshot(library) == before


def test_an_undo_is_a_step_that_can_be_undone(scanned):
    hit = scanned.hits.read()[0]
    step = set_aside_hits(scanned, [hit.id], reason="")[0].step
    again = undo_steps(scanned, [step]).events[0].step
    assert scanned.hits.get(hit.id).state == "here"
    undo_steps(scanned, [again])
    assert scanned.hits.get(hit.id).state == "aside"


def test_undoing_a_step_that_is_undone_already_does_nothing(scanned):
    hit = scanned.hits.read()[0]
    step = set_aside_hits(scanned, [hit.id], reason="")[0].step
    restore_hits(scanned, [hit.id])
    assert undo_steps(scanned, [step]) == UndoResult((), ())


def test_undoing_everything_reports_a_file_whose_path_is_taken(scanned, library):
    before, hits = snapshot(library), scanned.hits.read()
    set_aside_hits(scanned, [hit.id for hit in hits], reason="")
    hits[2].path.parent.mkdir(parents=True, exist_ok=True)
    hits[2].path.write_bytes(b"another's")
    undone = undo_steps(scanned)
    assert len(undone.events) == len(hits) - 1
    ((left, why),) = undone.left
    assert left == hits[2].id
    assert "another file is there now" in why
    others = {path: facts for path, facts in snapshot(library).items() if path != hits[2].path}
    assert others == {path: before[path] for path in before if path != hits[2].path}
    assert hits[2].path.read_bytes() == b"another's"
    hits[2].path.unlink()
    undo_steps(scanned)
    assert snapshot(library) == before


def test_an_unknown_step_and_one_that_moved_nothing_are_refused(scanned):
    hit = scanned.hits.read()[0]
    scanned.hits.set_role(hit.id, "cowbell")
    (event,) = scanned.history.read()
    for step in (event.step, 12_345):
        with pytest.raises(StoreError, match=f"step {step} is not in the history, or cannot"):
            undo_steps(scanned, [step])
