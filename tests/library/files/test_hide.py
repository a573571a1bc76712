from __future__ import annotations

import pytest

from catalog.errors import StoreError
from catalog.library.files.set_aside import hide_hits, set_aside_hits, unhide_hits
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
