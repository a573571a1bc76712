from __future__ import annotations

import pytest

from catalog import Catalog
from catalog.errors import ParameterError, StoreError
from catalog.library.scan.scanner import scan_folders


def test_a_mark_is_stored_and_can_be_removed(scanned):
    first, second, *_ = scanned.hits.read()
    before = scanned.revision()
    scanned.annotations.set_mark([first.id, second.id], "master")
    assert [hit.mark for hit in scanned.hits.read()][:3] == ["master", "master", ""]
    assert scanned.revision() > before
    scanned.annotations.set_mark([first.id], "")
    assert [hit.mark for hit in scanned.hits.read()][:2] == ["", "master"]


def test_tags_are_added_and_dropped_in_order_and_once(scanned):
    hit = scanned.hits.read()[0]
    scanned.annotations.change_tags([hit.id], add=["wires loose", " dark ", "dark"])
    assert scanned.hits.get(hit.id).tags == ("dark", "wires loose")
    scanned.annotations.change_tags([hit.id], add=["late"], drop=["dark"])
    assert scanned.hits.get(hit.id).tags == ("late", "wires loose")


def test_annotations_stay_after_a_scan_and_a_change_of_the_file(scanned, library, write_hit):
    hit = next(h for h in scanned.hits.read() if h.name == "mystery")
    scanned.annotations.set_mark([hit.id], "spare")
    scanned.annotations.change_tags([hit.id], add=["found"])
    write_hit(library / "Attic" / "mystery.wav", hz=700, seed=12)
    scan_folders(scanned, [library], n_jobs=1)
    again = scanned.hits.get(hit.id)
    assert again.content_hash != hit.content_hash
    assert (again.mark, again.tags) == ("spare", ("found",))


@pytest.mark.parametrize("word", ["", "   ", "x" * 61])
def test_an_empty_or_long_tag_is_an_error(scanned, word):
    with pytest.raises(ParameterError, match="must have 1 to 60 characters"):
        scanned.annotations.change_tags([scanned.hits.read()[0].id], add=[word])


def test_a_tag_that_is_not_valid_text_is_an_error(scanned):
    hit = scanned.hits.read()[0]
    for word in ("dry \ud800", "\udcff"):
        with pytest.raises(ParameterError, match="is not valid text"):
            scanned.annotations.change_tags([hit.id], add=[word])
    assert scanned.hits.get(hit.id).tags == hit.tags


def test_an_unknown_mark_is_an_error_that_lists_the_marks(scanned):
    with pytest.raises(ParameterError, match="marks are master, spare, no-good"):
        scanned.annotations.set_mark([1], "nice")


def test_annotating_many_hits_is_undone_with_the_roles_that_followed(tmp_path, library):
    with Catalog.open(tmp_path / "c.sqlite") as cat:
        cat.scan([library], n_jobs=1)
        first, second, *_ = cat.hits()
        cat.annotations.annotate([second.id], role="wood", remark="from the shed")
        before = {hit.id: hit for hit in cat.hits()}
        changed = cat.annotations.annotate(
            [first.id, second.id], mark="no-good", role="china", add=["odd"], remark="what is this"
        )
        assert {annotation.hit_id for annotation in changed} >= {first.id, second.id}
        assert cat.hit(second.id).remark == "what is this"
        assert {*cat.undo().hit_ids} == {annotation.hit_id for annotation in changed}
        assert {hit.id: hit for hit in cat.hits()} == before
        cat.redo()
        now = cat.hit(first.id)
        assert (now.mark, now.role, now.tags) == ("no-good", "china", ("odd",))


def test_an_unknown_hit_leaves_the_others_unannotated(tmp_path, library):
    with Catalog.open(tmp_path / "c.sqlite") as cat:
        cat.scan([library], n_jobs=1)
        first = cat.hits()[0]
        with pytest.raises(StoreError):
            cat.annotations.annotate([first.id, 9999], mark="master")
        with pytest.raises(ParameterError, match="at most 2,000 characters"):
            cat.annotations.annotate([first.id], mark="master", remark="x" * 2001)
        assert cat.hit(first.id) == first
