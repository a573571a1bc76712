"""Copies in a real browser: overlaid, kept, set aside and restored, also from a second tab."""

from __future__ import annotations

import re

import pytest

from catalog import Catalog
from tests.web.visits import COPIES_SHOWN, Visit, find, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
ACCEPT = "Accept: set this one aside"
# Share of the height of each canvas of an overlay that is drawn on.
DRAWN_SHARES = """[...__duplicates.groups.box.querySelectorAll('.overlay canvas')].map(c => {
  const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  const rows = new Set();
  for (let i = 3; i < d.length; i += 4) if (d[i]) rows.add(Math.floor(i / 4 / c.width));
  return rows.size / c.height; })"""


def open_copies(visit: Visit) -> None:
    visit.open_part("Duplicates")
    visit.until(COPIES_SHOWN)


def wait_groups(visit: Visit, n: int) -> None:
    visit.until(f"__duplicates.groups.box.querySelectorAll('.group').length === {n}")


def test_copies_are_compared_set_aside_and_restored_byte_for_byte(own_visit, own):
    page, before = own_visit.page, own.files()
    open_copies(own_visit)
    kicks = {find(own.store, name) for name in ("kick_1", "kick_1 quieter")}
    group = page.locator(".group", has_text="kick_1").first
    group.get_by_role("button", name="Play both").first.click()
    own_visit.until("__duplicates.engine.nStarts >= 2")
    group.get_by_role("button", name="Overlay").click()
    group.get_by_text("6.0 dB").wait_for()
    assert "almost nothing" in group.locator(".summary").inner_text()
    n_starts = own_visit.get("__duplicates.engine.nStarts")
    group.get_by_role("button", name="difference").click()
    own_visit.until(f"__duplicates.engine.nStarts === {n_starts + 1}")
    assert own_visit.get("-__duplicates.engine.lastStart.id") in kicks
    pair, residual = own_visit.get(DRAWN_SHARES)
    assert pair > 0.8  # the waveforms fill their canvas
    assert residual < 0.2  # the difference is a line

    def kept_name() -> str:
        line = page.locator(".group", has_text="snare_1 copy").locator(".line").first
        return line.locator(".name").inner_text()

    first = kept_name()
    page.locator(".group", has_text="snare_1 copy").get_by_role(
        "button", name="Keep this one instead"
    ).click()
    page.get_by_text("kept: your choice").wait_for()
    assert {first, kept_name()} == {"snare_1", "snare_1 copy"}

    accept = page.get_by_role("button", name=ACCEPT)
    accept.first.click()
    wait_groups(own_visit, 1)
    accept.click()
    page.get_by_text("No copies were found").wait_for()
    moved = before.keys() - own.files().keys()
    assert len(moved) == 2
    with Catalog.open(own.store) as catalog:
        aside = [hit.path.read_bytes() for hit in catalog.hits(states=("aside",))]
    assert sorted(aside) == sorted(before[path] for path in moved)
    own_visit.press_named("Restore all (2)")
    page.get_by_text("Undone for 2 hits").wait_for()
    assert own.files() == before

    # One that is ticked by hand.
    tick = page.locator(".group", has_text="snare_1").locator("input[type=checkbox]").first
    name = tick.get_attribute("aria-label").removeprefix("Set aside ")
    tick.check()
    own_visit.press_named("Set 1 file aside")
    own_visit.press_named("Yes, set aside")
    page.get_by_text("1 file set aside").wait_for()
    assert {path.stem for path in before.keys() - own.files().keys()} == {name}
    own_visit.press(page.get_by_role("button", name="Restore", exact=True).first)
    page.get_by_text("is restored.").wait_for()
    assert own.files() == before

    # All certain ones, after a list was shown and nothing moved yet.
    own_visit.press_named("Select all certain copies (2)")
    own_visit.press_named("Set 2 files aside")
    dialog = page.get_by_role("dialog")
    dialog.get_by_text("Nothing is deleted").wait_for()
    dialog.locator("li").nth(1).wait_for()
    assert dialog.locator("li").count() == 2
    assert own.files() == before
    own_visit.press(dialog.get_by_role("button", name="Yes, set aside"))
    page.get_by_text(re.compile("2 files set aside")).wait_for()
    assert len(own.files()) == len(before) - 2


def test_the_second_of_two_tabs_moves_nothing_that_the_first_has_moved(browser, own):
    with (
        serve(own.store) as address,
        watch(browser, address) as first,
        watch(browser, address) as second,
    ):
        for visit in (first, second):
            open_copies(visit)
        for visit, answer in ((first, "1 file set aside"), (second, "is set aside already")):
            visit.page.get_by_role("button", name=ACCEPT).first.click()
            visit.page.get_by_text(answer).wait_for()
        wait_groups(second, 1)
    with Catalog.open(own.store) as catalog:
        assert len(catalog.hits(states=("aside",))) == len(catalog.history()) == 1
