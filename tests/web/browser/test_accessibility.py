"""Each part of the page against WCAG 2.2 AA by axe-core, an independent checker, light and dark."""

from __future__ import annotations

import os

import pytest

from tests.web.visits import isolated_hit, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
DRAWN = {
    "Duplicates": "__audition.queue.overlay?.isDrawn()",
    "Kit": "__kit.kitSession.kit",
    "History": "document.body.innerText.includes('Nothing has been')",
    "Bring in": "document.body.innerText.includes('Scanned folders')",
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_part_of_the_page_violates_a_rule(browser, address, scheme):
    try:
        from axe_playwright_python.sync_playwright import Axe
    except ImportError:
        assert not os.environ.get("CI"), "axe-playwright-python is missing; it must be there in CI"
        pytest.skip("axe-playwright-python is not installed")
    options = {"runOnly": {"type": "tag", "values": RULES}, "resultTypes": ["violations"]}

    def violations() -> list[tuple[str, str]]:
        found = Axe().run(visit.page, options=options).response["violations"]
        return [(rule["id"], node["html"][:200]) for rule in found for node in rule["nodes"]]

    with watch(browser, address, scheme=scheme) as visit:
        visit.choose(isolated_hit(visit))
        visit.until("__audition.transport.hit")
        assert violations() == []
        visit.page.get_by_role("button", name="Drums", exact=True).click()
        assert violations() == []
        for part, drawn in DRAWN.items():
            visit.open_part(part)
            visit.until(drawn)
            visit.settle()
            assert violations() == [], part
        visit.press(visit.page.get_by_text("What to record next"))
        visit.page.get_by_text("Printable list").wait_for()
        visit.settle()
        assert violations() == []
