from __future__ import annotations

import itertools

import pytest

from catalog.library.files.set_aside import hide_hits, restore_hits, set_aside_hits
from catalog.library.undo.undo import undo_acts
from tests.library.files.conftest import snapshot, undo_steps


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


def test_an_act_that_was_undone_can_be_done_again(scanned):
    hit = scanned.hits.read()[0]
    set_aside_hits(scanned, [hit.id], reason="")
    undo_acts(scanned, [scanned.acts.last_done()])
    assert scanned.hits.get(hit.id).state == "here"
    assert scanned.acts.last_done() is None
    undo_acts(scanned, [scanned.acts.last_undone()], back=False)
    assert scanned.hits.get(hit.id).state == "aside"
    assert scanned.acts.last_done().verb == "set aside"


def test_undoing_a_step_that_is_undone_already_does_nothing(scanned):
    hit = scanned.hits.read()[0]
    step = set_aside_hits(scanned, [hit.id], reason="")[0].step
    restore_hits(scanned, [hit.id])
    undone = undo_steps(scanned, [step])
    assert (undone.events, undone.left) == ((), ())


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
