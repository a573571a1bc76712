"""A press of a button has its effect also when the page requests another run at once."""

from __future__ import annotations

import pytest

from tests.web.visits import Visit

pytestmark = [pytest.mark.browser, pytest.mark.slow]
# Sends the last request without a press once more, directly after each request with a press.
REPEAT_REQUESTS = """() => { const send = WebSocket.prototype.send; let last = null;
  globalThis.nRepeated = 0;
  WebSocket.prototype.send = function (frame) {
    send.call(this, frame);
    const isPress = new TextDecoder().decode(frame).includes('-fill');
    if (isPress && last) { globalThis.nRepeated += 1; send.call(this, last); }
    else if (!isPress) last = frame; }; }"""
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
