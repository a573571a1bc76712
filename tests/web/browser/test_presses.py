"""A press of a button has its effect also when the page requests another run at once."""

from __future__ import annotations

import pytest

from catalog import Catalog
from tests.web.visits import serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
# Sends the last request without a press once more, directly after each request with a press.
REPEAT_REQUESTS = """() => { const send = WebSocket.prototype.send; let last = null;
  globalThis.nRepeated = 0;
  WebSocket.prototype.send = function (frame) {
    send.call(this, frame);
    const isPress = new TextDecoder().decode(frame).includes('-back_');
    if (isPress && last) { globalThis.nRepeated += 1; send.call(this, last); }
    else if (!isPress) last = frame; }; }"""
N_PRESSES = 5


def test_a_press_is_kept_when_another_run_is_requested_at_once(browser, own):
    with Catalog.open(own.store) as catalog:
        for hit in catalog.hits()[:N_PRESSES]:
            catalog.annotations.mark([hit.id], "spare")
        acts = [act.id for act in catalog.files.acts(N_PRESSES)]
    with serve(own.store) as address, watch(browser, address) as visit:
        visit.page.evaluate(REPEAT_REQUESTS)
        visit.open_part("History")
        for n, act in enumerate(acts, start=1):
            visit.press(visit.page.locator(f".st-key-back_{act} button"))
            visit.page.locator(f".st-key-back_{act}").wait_for(state="detached")
            assert visit.get("nRepeated") == n
    with Catalog.open(own.store) as catalog:
        assert not any(hit.mark for hit in catalog.hits())
