"""Duplicates in a real browser: compared, decided one by one and as a class, restored."""

from __future__ import annotations

import pytest

from catalog import Catalog
from tests.web.visits import Visit, find, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
# Share of the height of each canvas of an overlay that is drawn on.
DRAWN_SHARES = """[...__audition.queue.overlay.box.querySelectorAll('canvas')].map(c => {
  const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
  const rows = new Set();
  for (let i = 3; i < d.length; i += 4) if (d[i]) rows.add(Math.floor(i / 4 / c.width));
  return rows.size / c.height; })"""
KEPT = "__audition.queue.group.keep.name"


def open_queue(visit: Visit, n_groups: int = 2) -> None:
    visit.open_part("Duplicates")
    wait_groups(visit, n_groups)


def wait_groups(visit: Visit, n: int) -> None:
    queue = "__audition.queue.queue"
    visit.until(f"!{queue}.running && {queue}.revision !== null && {queue}.groups.length === {n}")


def test_duplicates_are_compared_set_aside_and_restored_byte_for_byte(own_visit, own):
    page, keys, before = own_visit.page, own_visit.page.keyboard, own.files()
    open_queue(own_visit)
    kicks = {find(own.store, name) for name in ("kick_1", "kick_1 quieter")}
    page.get_by_role("region", name="Duplicates").get_by_role("button", name="kick_1").first.click()
    page.get_by_text("6.0 dB").first.wait_for()
    assert "almost nothing" in page.locator(".overlay .summary").inner_text()
    pair, residual = own_visit.get(DRAWN_SHARES)
    assert pair > 0.8  # the waveforms fill their canvas
    assert residual < 0.2  # the difference is a line
    assert own_visit.play(lambda: keys.press("r")) in {-i for i in kicks}  # the difference
    keys.press("t")
    own_visit.until("__audition.transport.player.nLoops >= 1")
    keys.press("Escape")
    assert not own_visit.get("__audition.transport.player.isRunning")

    # The other file is kept; then a double press sets one file aside, not two.
    kept = own_visit.get(KEPT)
    keys.press("k")
    page.get_by_text("kept: your choice").wait_for()
    assert {kept, own_visit.get(KEPT)} == {"kick_1", "kick_1 quieter"}
    keys.press("a")
    keys.press("a")
    page.get_by_text("1 file set aside").wait_for()
    wait_groups(own_visit, 1)
    assert {path.stem for path in before.keys() - own.files().keys()} == {kept}

    # All of a class, after a summary; nothing is moved before.
    page.get_by_role("button", name="Accept all certain").click()
    summary = page.get_by_role("region", name="Before files are set aside")
    summary.get_by_text("Nothing is deleted").wait_for()
    summary.get_by_role("row", name="Attic first sitting").wait_for()
    assert len(own.files()) == len(before) - 1
    summary.get_by_role("button", name="Set 1 file aside").click()
    page.get_by_text("No certain duplicates in the catalog").wait_for()
    moved = before.keys() - own.files().keys()
    assert len(moved) == 2
    with Catalog.open(own.store) as catalog:
        aside = [hit.path.read_bytes() for hit in catalog.hits(states=("aside",))]
    assert sorted(aside) == sorted(before[path] for path in moved)
    own_visit.open_part("History")
    own_visit.press_named("Restore all (2)")
    page.get_by_text("Undone for 2 hits").wait_for()
    assert own.files() == before
    open_queue(own_visit)  # found again


def test_the_second_of_two_tabs_moves_nothing_that_the_first_has_moved(browser, own):
    with (
        serve(own.store) as address,
        watch(browser, address) as first,
        watch(browser, address) as second,
    ):
        for visit in (first, second):
            open_queue(visit)
        ids = second.get("__audition.queue.group.others.map(hit => hit.id)")
        first.page.keyboard.press("a")
        first.page.get_by_text("1 file set aside").wait_for()
        answer = second.get(
            f"""fetch('/api/duplicates/set-aside', {{ method: 'POST',
            body: JSON.stringify({{ ids: {ids} }}) }}).then(answer => answer.text())"""
        )
        assert "is set aside already" in answer
        wait_groups(second, 1)  # a tab learns of what others do
    with Catalog.open(own.store) as catalog:
        assert len(catalog.hits(states=("aside",))) == len(catalog.history()) == 1
