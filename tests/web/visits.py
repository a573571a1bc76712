"""The page in a real browser: serve it, visit it, and watch its requests and errors."""

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
OPTIONS = (
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
SETTLE_MS = 350  # longer than the pause after which a changed kit is reported
WAIT_MS = 30_000  # a slow machine under load; nothing is asserted about time here


def find_address(server: subprocess.Popen[str]) -> str:
    """Return the address that a server prints in its first line."""
    assert server.stdout is not None
    found = re.search(r"http://127\.0\.0\.1:\d+/\?token=[\w-]+", server.stdout.readline())
    assert found, "the server printed no address"
    return found.group()


@contextmanager
def serve(
    store: Path, *, port: int = 0, log: Path | None = None, **variables: str
) -> Iterator[str]:
    """Serve the page in a process of its own and yield the address that it prints.

    `log` receives what the server writes to its error stream; `variables` are of its environment.
    """
    root = Path(__file__).parents[2]
    with (log or Path(os.devnull)).open("w") as errors:
        server = subprocess.Popen(
            [sys.executable, "-c", START, str(store), str(port)],
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            cwd=root,
            env=os.environ | {"CATALOG_PAGE_PROBE": "1", "PYTHONPATH": str(root)} | variables,
        )
    assert server.stdout is not None
    try:
        yield find_address(server)
    finally:
        server.terminate()
        server.wait(20)
        server.stdout.close()


class Visit:
    """One visit to the page, with all its requests and errors."""

    def __init__(self, page, address: str, *, ready: str = MAP_SHOWN) -> None:
        self.page, self.urls, self.errors = page, [], []
        page.set_default_timeout(WAIT_MS)
        page.on("request", lambda request: self.urls.append(request.url))
        page.on("websocket", lambda socket: self.urls.append(socket.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", self._keep_violation)
        page.goto(address)
        self.until(ready)

    def _keep_violation(self, message) -> None:
        if "Content Security Policy" in message.text:
            self.errors.append(message.text)

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
        """Press a button once the page has been drawn; before that it may still move."""
        self.settle()
        button.click()

    def rest(self) -> None:
        """Wait until the page has been drawn."""
        self.page.locator("[data-test-script-state=notRunning]").wait_for()

    def settle(self) -> None:
        """Wait until the page has been drawn and starts no run of its own; see kit.js."""
        self.rest()
        self.page.wait_for_timeout(SETTLE_MS)
        self.rest()

    def press_named(self, name: str, *, exact: bool = False) -> None:
        self.press(self.page.get_by_role("button", name=name, exact=exact))

    def box(self, locator) -> dict[str, float]:
        """Scroll a part of the page into view and return its final position."""
        self.rest()
        locator.scroll_into_view_if_needed()  # waits until it no longer moves
        return locator.bounding_box()

    def show(self, hit_id: int) -> None:
        """Choose a hit by its id, without the pointer."""
        self.get(f"__audition.map.choose({hit_id})")
        self.until(f"__audition.panel.shownFor === {hit_id}")

    def play(self, action) -> int:
        """Do something that plays, and return the id of the hit that starts."""
        before = self.starts
        action()
        self.until(f"__audition.engine.nStarts > {before}")
        return self.get("__audition.engine.lastStart.id")

    def hear(self, action, hit_id: int) -> None:
        """Do something that plays a hit other than the last one, and wait until it starts.

        A pointer that rests on the way to a click may start a sound of its own before.
        """
        action()
        self.until(f"__audition.engine.lastStart?.id === {hit_id}")

    def open_part(self, name: str) -> None:
        """Open a part of the page: "Find", "Duplicates", "Kit" or "Bring in"."""
        parts = self.page.get_by_role("navigation", name="Parts")
        self.press(parts.get_by_role("button", name=name))

    def open_attention(self, group: str) -> None:
        """Open a group of what needs attention under "Bring in", by the beginning of its label."""
        self.open_part("Bring in")
        self.press(self.page.get_by_text("Needs attention"))
        self.press(self.page.get_by_text(group))


@contextmanager
def watch(
    browser,
    address: str,
    *,
    ready: str = MAP_SHOWN,
    kind: type[Visit] = Visit,
    scheme: str = "light",
) -> Iterator[Visit]:
    """Visit a page; no script may fail or be barred, and no request may leave this machine."""
    context = browser.new_context(viewport={"width": 1280, "height": 1000}, color_scheme=scheme)
    visit = kind(context.new_page(), address, ready=ready)
    yield visit
    foreign = {
        url
        for url in visit.urls
        if urlsplit(url).scheme not in ("data", "blob") and urlsplit(url).hostname != "127.0.0.1"
    }
    context.close()
    assert not foreign, foreign
    assert not visit.errors, visit.errors


def find(store: Path, name: str) -> int:
    """Return the id of the hit with a name."""
    with Catalog.open(store) as catalog:
        return next(hit.id for hit in catalog.hits() if hit.name == name)


def isolated_hit(visit: Visit) -> int:
    """Return the hit that is farthest from all others on the screen, so that a click hits it."""
    return visit.get(
        """(() => { const m = __audition.map;
        const all = [...m.points.ids].map(id => [id, ...m.screenOf(id)]);
        const gap = ([id, x, y]) => Math.min(...all.filter(o => o[0] !== id)
          .map(o => Math.hypot(o[1] - x, o[2] - y)));
        return all.sort((a, b) => gap(b) - gap(a))[0][0]; })()"""
    )
