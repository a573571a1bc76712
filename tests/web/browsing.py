"""The page in a real browser: served, visited, and watched for what it asks of whom."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from catalog import Catalog

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = (
    "--no-sandbox", "--disable-quic", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run",
    "--autoplay-policy=document-user-activation-required",
)  # fmt: skip
START = """
import sys
from catalog.web import open_page
open_page(sys.argv[1], port=int(sys.argv[2]), browser=False)
"""
MAP_SHOWN = "globalThis.__audition?.map.points"
WAIT_MS = 30_000  # a slow machine under load; nothing is asserted about time here


@contextmanager
def serve(store: Path, *, port: int = 0, home: Path | None = None) -> Iterator[str]:
    """Serve the page in a process of its own and give its address."""
    root = Path(__file__).parents[2]
    server = subprocess.Popen(
        [sys.executable, "-c", START, str(store), str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=root,
        env=os.environ
        | {"CATALOG_PAGE_PROBE": "1", "PYTHONPATH": str(root)}
        | ({"HOME": str(home)} if home else {}),
    )
    assert server.stdout is not None
    try:
        found = re.search(r"http://127\.0\.0\.1:\d+/", server.stdout.readline())
        assert found, "the server said no address"
        yield found.group()
    finally:
        server.terminate()
        server.wait(20)
        server.stdout.close()


class Visit:
    """One visit to the page, with everything that it asked for."""

    def __init__(self, page, address: str, *, ready: str = MAP_SHOWN) -> None:
        self.page, self.asked, self.faults = page, [], []
        page.set_default_timeout(WAIT_MS)
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("websocket", lambda socket: self.asked.append(socket.url))
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.goto(address)
        self.until(ready)

    def until(self, condition: str) -> None:
        self.page.wait_for_function(f"() => Boolean({condition})", timeout=WAIT_MS)

    def get(self, expression: str):
        return self.page.evaluate(f"() => ({expression})")

    @property
    def starts(self) -> int:
        return self.get("__audition.engine.nStarts")

    def choose(self, hit_id: int) -> None:
        x, y = self.get(f"__audition.map.screenOf({hit_id})")
        self.page.locator("canvas.front").click(position={"x": x, "y": y})
        self.until(f"__audition.panel.shownFor === {hit_id}")

    def press(self, button) -> None:
        """Press a button when the page has been drawn: what is drawn meanwhile moves it away."""
        self.rest()
        button.click()

    def rest(self) -> None:
        """Wait until the page has been drawn."""
        self.page.locator("[data-test-script-state=notRunning]").wait_for()

    def box(self, place) -> dict[str, float]:
        """Give where a part of the page stands once nothing moves it any more, in view."""
        self.rest()
        place.scroll_into_view_if_needed()  # waits until it stands still too
        return place.bounding_box()

    def open_part(self, name: str) -> None:
        self.press(self.page.get_by_role("tab", name=name))


@contextmanager
def watch(
    browser, address: str, *, ready: str = MAP_SHOWN, kind: type[Visit] = Visit
) -> Iterator[Visit]:
    """Visit a page; in the end nothing may have gone wrong in it or left this machine."""
    context = browser.new_context(viewport={"width": 1280, "height": 1000})
    visit = kind(context.new_page(), address, ready=ready)
    yield visit
    foreign = {
        url
        for url in visit.asked
        if urlsplit(url).scheme not in ("data", "blob") and urlsplit(url).hostname != "127.0.0.1"
    }
    context.close()
    assert not foreign, foreign
    assert not visit.faults, visit.faults


def find(store: Path, name: str) -> int:
    with Catalog.open(store) as catalog:
        return next(hit.id for hit in catalog.hits() if hit.name == name)


def lonely_hit(visit: Visit) -> int:
    """Give a hit with no other close to it on the screen, so that a click means it."""
    return visit.get(
        """(() => { const m = __audition.map;
        const all = [...m.points.ids].map(id => [id, ...m.screenOf(id)]);
        const gap = ([id, x, y]) => Math.min(...all.filter(o => o[0] !== id)
          .map(o => Math.hypot(o[1] - x, o[2] - y)));
        return all.sort((a, b) => gap(b) - gap(a))[0][0]; })()"""
    )
