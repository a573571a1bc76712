"""The content security policy in a real browser: the page works, foreign code does not."""

from __future__ import annotations

from urllib.parse import urlsplit

import pytest

from catalog.audio.encode import encode_wav
from tests.web.conftest import SR, make_stroke
from tests.web.visits import Visit, isolated_hit, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def open_all(visit: Visit) -> None:
    """Open everything that is folded up on the present part: tables, pictures, forms."""
    for label in visit.page.locator("summary").all():
        if label.is_visible():
            visit.press(label)
    visit.settle()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_parts_of_the_page_work_under_the_policy(browser, own, scheme):
    """`watch` fails on each message of the browser about the policy."""
    with serve(own.store) as address, watch(browser, address, scheme=scheme) as visit:
        page = visit.page
        assert "token" not in page.url
        visit.choose(isolated_hit(visit))
        visit.until("__audition.engine.nStarts >= 1")
        wave = encode_wav(0.3 * make_stroke("snare", 7), sr=SR, subtype="PCM_16")
        memo = {"name": "memo.wav", "mimeType": "audio/wav", "buffer": wave}
        page.get_by_label("Sound file to search from").set_input_files(memo)
        page.locator("chosen-hit h2", has_text="memo").wait_for()
        visit.open_part("Duplicates")
        visit.until("__audition.queue.overlay?.isDrawn()")
        fill = "__audition.kitSession.apply('fill', { slots: ['kick', 'snare', 'tom_high'] })"
        visit.get(fill)
        visit.open_part("Kit")
        page.get_by_role("button", name="Levels, pitches, masking").click()
        page.get_by_role("table", name="Levels and pitches").wait_for()
        open_all(visit)
        visit.open_attention("Skipped files")
        page.get_by_text("broken").first.wait_for(state="attached")  # drawn on a canvas
        open_all(visit)
        visit.page.keyboard.press("Control+k")
        visit.page.keyboard.type("guid")
        visit.page.keyboard.press("Enter")
        page.get_by_role("dialog").get_by_text("The page").first.wait_for()
        visit.settle()


def test_the_browser_bars_what_the_policy_forbids(browser, address):
    context = browser.new_context()
    page = context.new_page()
    page.goto(address)
    page.locator("[data-test-script-state=notRunning]").wait_for()
    port = urlsplit(address).port
    violations = """async () => { const bad = new Set();
      document.addEventListener('securitypolicyviolation', e => bad.add(e.effectiveDirective));
      const add = (tag, values) => document.body.append(Object.assign(
        document.createElement(tag), values));
      add('script', { textContent: 'globalThis.hurt = 1' });
      add('script', { src: 'http://127.0.0.1:9/x.js' });
      add('img', { src: 'http://127.0.0.1:9/x.png' });
      add('iframe', { src: '/' });
      add('object', { data: '/favicon.png' });
      add('base', { href: 'http://127.0.0.1:9/' });
      await fetch('http://127.0.0.1:9/').catch(() => 0);
      try { new WebSocket('ws://127.0.0.1:9/'); } catch { }
      const form = document.createElement('form');
      form.action = 'http://127.0.0.1:9/'; document.body.append(form); form.submit();
      await new Promise(resolve => setTimeout(resolve, 500));
      return [[...bad].sort(), globalThis.hurt ?? null]; }"""
    barred, hurt = page.evaluate(violations)
    assert hurt is None
    assert barred == [
        "base-uri", "connect-src", "form-action", "frame-src", "img-src", "object-src",
        "script-src-elem",
    ]  # fmt: skip
    assert page.evaluate("document.cookie.includes('catalog')") is False  # HttpOnly
    other = context.new_page()
    other.goto(f"http://127.0.0.1:{port}/")  # the same browser needs no token again
    other.locator("[data-test-script-state=notRunning]").wait_for()
    context.close()
    stranger = browser.new_context().new_page()
    answer = stranger.goto(f"http://127.0.0.1:{port}/")
    assert answer.status == 403
    assert "address that the terminal shows" in stranger.inner_text("body")
    stranger.context.close()
