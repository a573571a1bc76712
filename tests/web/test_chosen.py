"""The panel of the chosen hit in a real browser: said, wished, compared, searched from outside."""

from __future__ import annotations

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from tests.web.browsing import Visit, find
from tests.web.conftest import SR, make_stroke

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def read(own, hit_id: int):
    with Catalog.open(own.store) as catalog:
        return catalog.hit(hit_id)


def wait_said(visit: Visit, n: int) -> None:
    visit.page.wait_for_function(f"() => __audition.annotations.undo.length === {n}")


def test_marks_tags_and_remarks_reach_the_store_and_are_taken_back(own, own_visit):
    snare = find(own.store, "snare_2")
    own_visit.choose(snare)
    page = own_visit.page
    page.locator("canvas.front").press("Shift+L")
    wait_said(own_visit, 1)
    assert read(own, snare).mark == "star"
    tag = page.get_by_role("textbox", name="Add a tag")
    tag.fill("<b>dry</b>")
    tag.press("Enter")
    wait_said(own_visit, 2)
    remark = page.get_by_role("textbox", name="Remark")
    remark.fill("wire rattles")
    remark.press("Tab")
    wait_said(own_visit, 3)
    said = read(own, snare)
    assert (said.mark, said.tags, said.remark) == ("star", ("<b>dry</b>",), "wire rattles")
    page.locator("canvas.front").focus()
    for left in (2, 1, 0):
        page.keyboard.press("Control+z")
        wait_said(own_visit, left)
    assert (read(own, snare).mark, read(own, snare).tags, read(own, snare).remark) == ("", (), "")
    page.keyboard.press("Control+Shift+Z")
    wait_said(own_visit, 1)
    assert read(own, snare).mark == "star"
    row = page.locator(".chosen .row").first
    other = int(row.get_attribute("data-id"))
    row.focus()
    page.keyboard.press("Shift+X")
    wait_said(own_visit, 2)
    assert read(own, other).mark == "reject"
    assert "reject" in row.inner_text()


def test_a_wish_moves_the_similar_hits_and_an_end_is_told(own, own_visit):
    kick = find(own.store, "kick_2")
    own_visit.choose(kick)
    own_visit.page.get_by_role("button", name="brighter").click()
    own_visit.until("__audition.panel.shownConstraints === 'brighter'")
    ids = own_visit.get("__audition.panel.shown.similar.map(row => row.id)")
    start = read(own, kick).descriptors["centroid_hz"]
    assert ids
    assert all(read(own, i).descriptors["centroid_hz"] > start for i in ids)
    own_visit.page.get_by_role("button", name="darker").click()  # the other of the pair goes
    own_visit.until("__audition.panel.shownConstraints === 'darker'")
    ids = own_visit.get("__audition.panel.shown.similar.map(row => row.id)")
    assert all(read(own, i).descriptors["centroid_hz"] < start for i in ids)
    words = own_visit.page.locator(".similar").inner_text()
    assert "in the catalog" in words  # fewer than ten kicks are darker than this one


def test_two_hits_are_compared_at_one_level_and_turned_without_a_gap(own, own_visit):
    own_visit.choose(find(own.store, "snare_2"))
    page = own_visit.page
    page.locator(".chosen .row").first.focus()
    page.keyboard.press("ArrowLeft")
    own_visit.until("__audition.panel.comparison.isDrawn")
    page.keyboard.press("Shift+B")
    own_visit.until("__audition.panel.comparison.player.nLoops >= 2")
    rounds = own_visit.get("__audition.panel.comparison.player.nLoops")
    page.keyboard.press("b")
    assert own_visit.get("__audition.panel.comparison.player.side") == "B"
    assert own_visit.get("__audition.panel.comparison.player.isRunning")
    own_visit.until(f"__audition.panel.comparison.player.nLoops > {rounds}")
    page.keyboard.press("Shift+B")
    assert not own_visit.get("__audition.panel.comparison.player.isRunning")
    assert page.locator(".compare tbody tr").count() == 6


@pytest.mark.parametrize("how", ["pick", "drop"])
def test_a_file_from_outside_finds_its_like_and_stays_outside(own, own_visit, tmp_path, how):
    name = "memo <img src=x onerror=window.hurt=1>.wav"
    data = encode_wav(0.3 * make_stroke("snare", 7), sr=SR, subtype="PCM_16")
    (tmp_path / name).write_bytes(data)
    if how == "pick":
        own_visit.page.locator(".query-file input").set_input_files(tmp_path / name)
    else:
        own_visit.page.locator(".chosen").evaluate(
            """(node, [name, bytes]) => {
                const pack = new DataTransfer();
                pack.items.add(new File([new Uint8Array(bytes)], name, {type: 'audio/wav'}));
                node.dispatchEvent(new DragEvent('drop', {dataTransfer: pack, bubbles: true}));
            }""",
            [name, list(data)],
        )
    own_visit.until("__audition.panel.shownFor === 0")
    own_visit.until("__audition.engine.lastStart?.id === 0")  # and it is heard
    first = own_visit.get("__audition.panel.shown.similar[0].role")
    assert first == "snare"
    assert own_visit.page.get_by_role("heading", name="memo <img").is_visible()
    assert own_visit.get("window.hurt") is None
    with Catalog.open(own.store) as catalog:
        assert len(catalog.hits()) == 23


def test_a_file_that_is_no_sound_is_refused_with_words(own_visit, tmp_path):
    (tmp_path / "memo.wav").write_bytes(b"not sound at all")
    own_visit.page.locator(".query-file input").set_input_files(tmp_path / "memo.wav")
    own_visit.page.locator(".status", has_text="memo: ").wait_for()
    assert np.isnan(own_visit.get("__audition.panel.shownFor ?? NaN"))
