"""The main uses by keyboard alone: find a hit, set copies aside, build and export a kit."""

from __future__ import annotations

import pytest

from catalog import Catalog
from catalog.web.kit_session.session import KitSession
from tests.web.visits import Visit, find

pytestmark = [pytest.mark.browser, pytest.mark.slow]
CONTROLS = ("BUTTON", "INPUT", "SELECT", "TEXTAREA", "CANVAS", "A")
MAX_STEPS = 120  # presses of Tab through a page
# What has the focus, also inside the page's own component, by its accessible name.
FOCUSED = """() => { let node = document.activeElement;
  while (node?.shadowRoot?.activeElement) node = node.shadowRoot.activeElement;
  const name = node?.getAttribute('aria-label') || node?.labels?.[0]?.innerText || node?.innerText;
  return [name || '', node?.tagName || '', node?.getAttribute('role') || '']; }"""


def tab_to(visit: Visit, name: str) -> None:
    """Press Tab until a control of that name has the focus while the page rests."""
    passed = []
    for _ in range(MAX_STEPS):
        visit.rest()
        focused = visit.page.evaluate(FOCUSED)
        if name in focused[0] and focused[1] in CONTROLS:
            return
        passed.append(focused[0][:20])
        visit.page.keyboard.press("Tab")
    raise AssertionError(f"{name} is not reached; passed {passed}")


def press(visit: Visit, name: str) -> None:
    tab_to(visit, name)
    visit.page.keyboard.press("Enter")


def open_part(visit: Visit, part: str) -> None:
    """Go to the button of a part by Tab and press it."""
    press(visit, part)
    visit.settle()


def test_hits_copies_and_kits_are_handled_by_keyboard_alone(own_visit, own, tmp_path):
    page, keys = own_visit.page, own_visit.page.keyboard
    tab_to(own_visit, "Find by words")
    keys.type("snare")
    keys.press("Enter")
    page.get_by_text("of 23 hits").wait_for()
    tab_to(own_visit, "Map of hits")
    keys.press("ArrowRight")
    own_visit.until("__audition.engine.nStarts >= 1")
    chosen = own_visit.get("__audition.map.view.chosen")
    own_visit.until(f"__audition.panel.shownFor === {chosen}")
    own_visit.play(lambda: keys.press("1"))
    keys.press("Shift+M")
    own_visit.until("__audition.annotations.nDone === 1")
    with Catalog.open(own.store) as catalog:
        assert catalog.hit(chosen).mark == "master"

    before = own.files()
    open_part(own_visit, "Duplicates")
    own_visit.until("__audition.queue.group")
    press(own_visit, "Accept all certain")
    page.get_by_text("Nothing is deleted").wait_for()
    press(own_visit, "Set 2 files aside")
    page.get_by_text("2 files set aside").wait_for()
    assert len(own.files()) == len(before) - 2
    open_part(own_visit, "History")
    press(own_visit, "Restore all (2)")
    page.get_by_text("Undone for 2 hits").wait_for()
    assert own.files() == before

    open_part(own_visit, "Find")
    crash = find(own.store, "crash_1")
    own_visit.show(crash)
    press(own_visit, "Put in kit")
    own_visit.until("__audition.kitSession.slots.length === 1")
    open_part(own_visit, "Kit")
    page.get_by_role("button", name="Fill the rest").wait_for()
    press(own_visit, "Fill the rest")
    own_visit.until("__audition.kitSession.slots.length >= 4")
    snare_id = "__audition.kitSession.bySlot.get('snare').hits[0].id"
    snare = own_visit.get(snare_id)
    press(own_visit, "→ Next best for Snare")
    own_visit.until(f"{snare_id} !== {snare}")
    own_visit.play(lambda: keys.press("s"))
    target = tmp_path / "by keys"
    press(own_visit, "Export")
    tab_to(own_visit, "New folder for the kit")
    keys.type(str(target))
    keys.press("Enter")
    page.get_by_role("button", name="Write the folder").wait_for()
    press(own_visit, "Write the folder")
    page.get_by_role("region", name="Export").get_by_text("written to").wait_for()
    assert list(target.rglob("*.sfz"))
    with Catalog.open(own.store) as catalog:
        assert KitSession.load(catalog).kit.slots["crash"][0] == crash
