from __future__ import annotations

import itertools

import pytest

from catalog.errors import StoreError
from catalog.library.files.hide import hide_hits, unhide_hits
from catalog.library.files.set_aside import restore_hits, set_aside_hits
from catalog.library.files.undo import UndoResult, undo_steps
from catalog.library.scan.scanner import scan_folders
from tests.library.files.conftest import snapshot


def test_hidden_hits_are_not_listed_and_their_files_stay(scanned, library):
    before = snapshot(library)
    first, second = scanned.hits.read()[:2]
    (event, _) = hide_hits(scanned, [first.id, second.id], reason="shared folder")
    assert (event.action, event.source, event.target) == ("hide", first.path, first.path)
    assert {h.id for h in scanned.hits.read(states=("hidden",))} == {first.id, second.id}
    assert scanned.hits.get(first.id).state == "hidden"
    assert first.id not in {h.id for h in scanned.hits.read()}
    unhide_hits(scanned, [first.id])
    assert scanned.hits.get(first.id) == first
    assert snapshot(library) == before


def test_a_hidden_hit_stays_hidden_when_its_file_changes_moves_or_comes_back(scanned, library):
    hit = scanned.hits.read()[0]
    hide_hits(scanned, [hit.id])
    hit.path.touch()
    scan_folders(scanned, [library], n_jobs=1)
    assert scanned.hits.get(hit.id).state == "hidden"
    moved = hit.path.with_name("elsewhere.wav")
    hit.path.rename(moved)
    scan_folders(scanned, [library], n_jobs=1)
    assert (scanned.hits.get(hit.id).state, scanned.hits.get(hit.id).path) == ("hidden", moved)
    data = moved.read_bytes()
    moved.unlink()
    scan_folders(scanned, [library], n_jobs=1)
    assert scanned.hits.get(hit.id).state == "missing"
    moved.write_bytes(data)
    scan_folders(scanned, [library], n_jobs=1)
    assert scanned.hits.get(hit.id).state == "hidden"


def test_if_one_hit_cannot_be_hidden_none_is(scanned):
    good, away, hidden = scanned.hits.read()[:3]
    set_aside_hits(scanned, [away.id], reason="")
    hide_hits(scanned, [hidden.id])
    for bad, words in [
        (away.id, "set aside; restore it first"),
        (hidden.id, "hidden already"),
        (9_999, "not in this store"),
    ]:
        with pytest.raises(StoreError, match=words):
            hide_hits(scanned, [good.id, bad])
        assert scanned.hits.get(good.id).state == "here"
    with pytest.raises(StoreError, match="is not hidden: it is here"):
        unhide_hits(scanned, [good.id])


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
