"""A press of a button has its effect also when the page requests another run at once."""

from __future__ import annotations

import pytest

from tests.web.browser.test_keyboard import FOCUSED
from tests.web.visits import MAP_SHOWN, Visit

pytestmark = [pytest.mark.browser, pytest.mark.slow]
# Sends the last request without a press once more, directly after each request with a press.
REPEAT_REQUESTS = """() => { const send = WebSocket.prototype.send; let last = null;
  globalThis.nRepeated = 0;
  WebSocket.prototype.send = function (frame) {
    send.call(this, frame);
    const isPress = new TextDecoder().decode(frame).includes('-fill');
    if (isPress && last) { globalThis.nRepeated += 1; send.call(this, last); }
    else if (!isPress) last = frame; }; }"""
# Delivers the messages of a run one by one, so that the page is drawn between two of them.
SLOW_MESSAGES = """(() => { const PAUSE_MS = 20;
  const onmessage = Object.getOwnPropertyDescriptor(WebSocket.prototype, 'onmessage');
  const listen = WebSocket.prototype.addEventListener;
  const slow = handler => { let due = 0; return function (event) {
    due = Math.max(due + PAUSE_MS, performance.now());
    setTimeout(() => handler.call(this, event), due - performance.now()); }; };
  Object.defineProperty(WebSocket.prototype, 'onmessage', { get: onmessage.get,
    set(handler) { onmessage.set.call(this, slow(handler)); } });
  WebSocket.prototype.addEventListener = function (kind, handler, ...rest) {
    return listen.call(this, kind, kind === 'message' ? slow(handler) : handler, ...rest); };
})();"""
# Counts the moments in which a tab that has the focus is disabled.
COUNT_DISABLED = """() => { globalThis.nDisabled = 0;
  new MutationObserver(changes => changes.forEach(({ target }) => {
    if (target.getAttribute('aria-disabled') === 'true') globalThis.nDisabled += 1;
  })).observe(document.querySelector('[role=tablist]'),
    { subtree: true, attributes: true, attributeFilter: ['aria-disabled'] }); }"""
# Notes the name of each tab when it is selected.
NOTE_SELECTED = """() => { globalThis.selectedTabs = [];
  new MutationObserver(changes => changes.forEach(({ target }) => {
    if (target.getAttribute('aria-selected') === 'true') selectedTabs.push(target.textContent);
  })).observe(document.querySelector('[role=tablist]'),
    { subtree: true, attributes: true, attributeFilter: ['aria-selected'] }); }"""
N_PRESSES = 5


def test_a_press_is_kept_when_another_run_is_requested_at_once(own_visit: Visit):
    own_visit.page.evaluate(REPEAT_REQUESTS)
    own_visit.open_part("Kit")
    for n in range(1, N_PRESSES + 1):
        own_visit.press_named("Fill the rest")
        own_visit.until("__audition.kitSession.slots.length >= 4")
        assert own_visit.get("nRepeated") == n
        own_visit.press_named("Start over")
        own_visit.until("__audition.kitSession.slots.length === 0")


@pytest.fixture
def slow_visit(own_visit: Visit) -> Visit:
    """A visit whose tabs are disabled for a moment that lasts in each run."""
    own_visit.page.add_init_script(SLOW_MESSAGES)
    own_visit.page.reload()
    own_visit.until(MAP_SHOWN)
    own_visit.settle()
    own_visit.page.evaluate(COUNT_DISABLED)
    return own_visit


def test_a_tab_chosen_by_key_keeps_the_focus_while_its_part_is_drawn(slow_visit: Visit):
    page = slow_visit.page
    page.get_by_role("tab", name="Listen").focus()
    for name in ("Copies", "Kit", "Recordings"):
        page.keyboard.press("ArrowRight")
        slow_visit.settle()
        assert page.evaluate(FOCUSED) == [name, "DIV", "tab"]
    assert slow_visit.get("nDisabled") > 0


def test_keys_and_clicks_on_disabled_tabs_take_effect(slow_visit: Visit):
    page = slow_visit.page
    disabled = page.locator("[role=tab][aria-disabled=true]")
    page.get_by_role("tab", name="Listen").focus()
    page.keyboard.press("ArrowRight")
    disabled.first.wait_for()
    page.keyboard.press("ArrowRight")
    page.get_by_role("tab", name="Kit", selected=True).wait_for()
    slow_visit.settle()
    page.keyboard.press("ArrowRight")
    disabled.first.wait_for()
    page.mouse.click(*_middle(page.get_by_role("tab", name="Listen")))
    page.get_by_role("tab", name="Listen", selected=True).wait_for()


def _middle(locator) -> tuple[float, float]:
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_a_tab_that_the_user_did_not_choose_is_left_again(own_visit: Visit):
    """A script selects another tab, as a run does that was requested before the last choice."""
    page = own_visit.page
    own_visit.open_part("Kit")
    page.evaluate(NOTE_SELECTED)
    page.get_by_role("tab", name="Copies").evaluate("tab => tab.click()")
    own_visit.until("selectedTabs.length >= 2")
    own_visit.settle()
    assert own_visit.get("selectedTabs") == ["Copies", "Kit"]
    own_visit.press_named("Fill the rest")
    own_visit.until("__audition.kitSession.slots.length >= 4")
