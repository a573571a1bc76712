"""The three uses by keyboard alone: find, remove what is there twice, put a kit together."""

from __future__ import annotations

import pytest

from catalog import Catalog
from catalog.web.kit_session.session import KitSession
from tests.web.browsing import Visit, find

pytestmark = [pytest.mark.browser, pytest.mark.slow]
CONTROLS = ("BUTTON", "INPUT", "SELECT", "TEXTAREA", "CANVAS", "A")
MOST_STEPS = 120  # of the tabulator through a page
# What is focused, also inside the page's own component, by the name that a reader would say.
FOCUSED = """() => { let one = document.activeElement;
  while (one?.shadowRoot?.activeElement) one = one.shadowRoot.activeElement;
  const name = one?.getAttribute('aria-label') || one?.labels?.[0]?.innerText || one?.innerText;
  return [name || '', one?.tagName || '', one?.getAttribute('role') || '']; }"""


def tab_to(visit: Visit, name: str) -> list[str]:
    """Go on by the tabulator until something of that name has the focus while the page rests."""
    for _ in range(MOST_STEPS):
        visit.rest()
        focused = visit.page.evaluate(FOCUSED)
        if name in focused[0] and focused[1] in CONTROLS:
            return focused
        visit.page.keyboard.press("Tab")
    raise AssertionError(f"{name} is not reached")


def open_by_keys(visit: Visit, part: str) -> None:
    """From the first of the parts, by arrow keys."""
    visit.page.evaluate("() => { document.activeElement?.blur(); }")
    visit.page.keyboard.press("Tab")
    for _ in range(MOST_STEPS):
        if visit.page.evaluate(FOCUSED)[2] == "tab":
            break
        visit.page.keyboard.press("Tab")
    for _ in range(4):
        if part in visit.page.evaluate(FOCUSED)[0]:
            break
        visit.page.keyboard.press("ArrowRight")
    visit.rest()
    visit.page.keyboard.press("Enter")


def test_a_sound_is_found_heard_and_starred(own_visit, own):
    keys = own_visit.page.keyboard
    tab_to(own_visit, "Find by words")
    keys.type("snare")
    keys.press("Enter")
    own_visit.page.get_by_text("hits of 23 match").wait_for()
    tab_to(own_visit, "Map of hits")
    keys.press("ArrowRight")
    own_visit.until("__audition.engine.nStarts >= 1")
    chosen = own_visit.get("__audition.map.view.chosen")
    own_visit.until(f"__audition.panel.shownFor === {chosen}")
    before = own_visit.starts
    keys.press("1")
    own_visit.until(f"__audition.engine.nStarts > {before}")
    keys.press("Shift+L")
    own_visit.until("__audition.annotations.undo.length === 1")
    with Catalog.open(own.store) as catalog:
        assert catalog.hit(chosen).mark == "star"


def test_what_is_there_twice_is_set_aside_and_put_back(own_visit, own):
    before = {path: path.read_bytes() for path in own.folder.rglob("*.wav")}
    open_by_keys(own_visit, "Copies")
    own_visit.page.get_by_text("2 recordings with 2 further files").wait_for()
    assert tab_to(own_visit, "Select all certain copies")[1] == "BUTTON"
    own_visit.page.keyboard.press("Enter")
    own_visit.page.get_by_role("button", name="Set 2 files aside").wait_for()
    tab_to(own_visit, "Set 2 files aside")
    own_visit.page.keyboard.press("Enter")
    own_visit.page.get_by_role("dialog").get_by_text("Nothing is deleted").wait_for()
    tab_to(own_visit, "Yes, set aside")
    own_visit.page.keyboard.press("Enter")
    own_visit.page.get_by_text("2 files set aside").wait_for()
    assert len(list(own.folder.rglob("*.wav"))) == len(before) - 2
    tab_to(own_visit, "Restore all (2)")
    own_visit.page.keyboard.press("Enter")
    own_visit.page.get_by_text("Undone for 2 hits").wait_for()
    assert {path: path.read_bytes() for path in own.folder.rglob("*.wav")} == before


def test_a_kit_is_filled_locked_swapped_struck_and_written(own_visit, own, tmp_path):
    keys = own_visit.page.keyboard
    crash = find(own.store, "crash_1")
    own_visit.get(f"__audition.map.choose({crash})")
    own_visit.until(f"__audition.panel.shownFor === {crash}")
    tab_to(own_visit, "Put in kit")
    keys.press("Enter")
    own_visit.until("__audition.kitSession.slots.length === 1")
    open_by_keys(own_visit, "Kit")
    own_visit.page.get_by_role("button", name="Fill the rest").wait_for()
    tab_to(own_visit, "Fill the rest")
    keys.press("Enter")
    own_visit.until("__audition.kitSession.slots.length >= 4")
    tab_to(own_visit, "Next best for Snare")
    snare = own_visit.get("__audition.kitSession.bySlot.get('snare').hits[0].id")
    keys.press("Enter")
    own_visit.until(f"__audition.kitSession.bySlot.get('snare').hits[0].id !== {snare}")
    before = own_visit.starts
    keys.press("s")
    own_visit.until(f"__audition.engine.nStarts > {before}")
    target = tmp_path / "by keys"
    tab_to(own_visit, "New folder for the kit")
    keys.type(str(target))
    keys.press("Enter")
    tab_to(own_visit, "Write the folder")
    keys.press("Enter")
    own_visit.page.get_by_text("written to").wait_for()
    assert list(target.rglob("*.sfz"))
    with Catalog.open(own.store) as catalog:
        assert KitSession.load(catalog).kit.slots["crash"][0] == crash
