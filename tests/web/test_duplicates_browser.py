"""Twice in a real browser: what moved on disk and came back, what was drawn and heard."""

from __future__ import annotations

import pytest

from catalog import Catalog
from tests.web.browsing import Visit, find

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TWICE_SHOWN = "globalThis.__duplicates?.groups.box.querySelector('.group')"


@pytest.fixture
def twice(own_visit) -> Visit:
    own_visit.open_part("Copies")
    own_visit.until(TWICE_SHOWN)
    return own_visit


def group_of(visit: Visit, name: str):
    return visit.page.locator(".group", has_text=name).first


def test_two_files_are_laid_over_each_other_and_what_is_left_is_heard(twice, own):
    kicks = {find(own.store, name) for name in ("kick_1", "kick_1 quieter")}
    group = group_of(twice, "kick_1")
    group.get_by_role("button", name="Overlay").click()
    group.get_by_text("6.0 dB").wait_for()
    assert "almost nothing" in group.locator(".summary").inner_text()
    before = twice.get("__duplicates.engine.nStarts")
    group.get_by_role("button", name="difference").click()
    twice.until(f"__duplicates.engine.nStarts === {before + 1}")
    assert twice.get("-__duplicates.engine.lastStart.id") in kicks
    drawn = twice.get(
        """[...__duplicates.groups.box.querySelectorAll('.overlay canvas')].map(c => {
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        const rows = new Set();
        for (let i = 3; i < d.length; i += 4) if (d[i]) rows.add(Math.floor(i / 4 / c.width));
        return rows.size / c.height; })"""
    )
    assert drawn[0] > 0.8  # the waves fill their picture
    assert drawn[1] < 0.2  # what is left is a line


def test_a_group_accepted_moves_on_disk_and_everything_comes_back(twice, own):
    before = {path: path.read_bytes() for path in own.folder.rglob("*.wav")}
    accept = twice.page.get_by_role("button", name="Accept: set this one aside")
    accept.first.click()
    twice.until("__duplicates.groups.box.querySelectorAll('.group').length === 1")
    accept.click()
    twice.page.get_by_text("No copies were found").wait_for()
    gone = set(before) - set(own.folder.rglob("*.wav"))
    assert len(gone) == 2
    with Catalog.open(own.store) as catalog:
        aside = catalog.hits(states=("aside",))
        assert sorted(hit.path.read_bytes() for hit in aside) == sorted(before[p] for p in gone)
    twice.press(twice.page.get_by_role("button", name="Restore all (2)"))
    twice.page.get_by_text("Undone for 2 hits").wait_for()
    assert {path: path.read_bytes() for path in own.folder.rglob("*.wav")} == before


def test_all_certain_ones_go_after_a_look_at_the_list(twice, own):
    n_before = len(list(own.folder.rglob("*.wav")))
    twice.press(twice.page.get_by_role("button", name="Select all certain copies (2)"))
    twice.press(twice.page.get_by_role("button", name="Set 2 files aside"))
    asked = twice.page.get_by_role("dialog")
    asked.get_by_text("Nothing is deleted").wait_for()
    asked.locator("li").nth(1).wait_for()
    assert asked.locator("li").count() == 2
    assert len(list(own.folder.rglob("*.wav"))) == n_before
    twice.press(asked.get_by_role("button", name="Yes, set aside"))
    twice.page.get_by_text("2 files set aside").wait_for()
    assert len(list(own.folder.rglob("*.wav"))) == n_before - 2


def test_the_other_file_stays_when_the_user_says_so(twice, own):
    group = group_of(twice, "snare_1 copy")
    stays = group.locator(".line").first.locator(".name").inner_text()
    group.get_by_role("button", name="Keep this one instead").click()
    twice.page.get_by_text("kept: your choice").wait_for()
    now = group_of(twice, "snare_1 copy").locator(".line").first.locator(".name").inner_text()
    assert {stays, now} == {"snare_1", "snare_1 copy"}
