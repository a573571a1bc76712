"""Record `catalog demo` from the command to the first sound: `python -m tests.recording FOLDER`.

Three starts: the first one after an installation, with an empty home and modules that the
installer compiled; the next one; and one with an empty home where no module was compiled. Pictures
of the page are taken while it comes up, each named by the time since the command in ms. Each step
is printed with that time and the processor time of the program until then.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
from playwright.sync_api import Page, sync_playwright

from tests.web.visits import CHROMIUM, MAP_SHOWN, OPTIONS, find_address

ROOT = Path(__file__).resolve().parents[1]
SIZE = {"width": 1280, "height": 800}
PAUSE_MS = 500  # between two pictures while the page comes up
WAIT_MS = 60_000


class Recording:
    """Pictures of a page with the time since the start."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._start = folder, time.monotonic()
        self.steps: list[str] = []

    def note(self, step: str, server: psutil.Process, page: Page | None = None) -> None:
        """Note that a step is reached, and take a picture of the page."""
        passed = time.monotonic() - self._start
        processes = [server, *server.children(recursive=True)]
        used = sum(sum(process.cpu_times()[:4]) for process in processes)
        self.steps.append(f"{step} {passed:.1f} s ({used:.1f} s)")
        if page is not None:
            self.take(page, step)

    def take(self, page: Page, step: str) -> None:
        """Take a picture, named by the time."""
        passed_ms = round(1000 * (time.monotonic() - self._start))
        page.screenshot(path=self._folder / f"{passed_ms:06d} {step}.png", animations="allow")


@contextmanager
def demo(home: Path, compiled: Path) -> Iterator[tuple[str, psutil.Process]]:
    """Run `catalog demo` with a home of its own; yield the address that it prints, and itself."""
    kept = {name: os.environ[name] for name in ("PATH", "LANG") if name in os.environ}
    environment = kept | {
        "HOME": str(home), "PYTHONPATH": str(ROOT), "CATALOG_PAGE_PROBE": "1",
        "PYTHONPYCACHEPREFIX": str(compiled), "XDG_CACHE_HOME": str(home / "cache"),
        "XDG_DATA_HOME": str(home / "data"),
    }  # fmt: skip
    server = subprocess.Popen(
        [sys.executable, "-m", "catalog", "demo", "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=environment,
    )  # fmt: skip
    assert server.stdout is not None
    try:
        yield find_address(server), psutil.Process(server.pid)
    finally:
        server.terminate()
        server.wait(20)
        server.stdout.close()


def record(folder: Path, home: Path, compiled: Path) -> Recording:
    """Record one start, with the browser open before as a person's is."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(OPTIONS))
        page = browser.new_page(viewport=SIZE)
        recording = Recording(folder)
        with demo(home, compiled) as (address, server):
            recording.note("address printed", server)
            page.goto(address, wait_until="commit")
            while not page.evaluate(f"() => Boolean({MAP_SHOWN})"):
                recording.take(page, "coming up")
                page.wait_for_timeout(PAUSE_MS)
            recording.note("hits and map shown", server, page)
            hit_id = page.evaluate("() => [...__audition.map.points.ids][0]")
            x, y = page.evaluate(f"() => __audition.map.screenOf({hit_id})")
            page.locator("canvas.front").click(position={"x": x, "y": y})
            page.wait_for_function("() => __audition.engine.nStarts > 0", timeout=WAIT_MS)
            recording.note("first sound", server, page)
        browser.close()
    return recording


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="for the pictures")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        compiled = place / "compiled"
        for name, home in (
            ("nothing compiled", place / "a"),
            ("first start", place / "b"),
            ("second start", place / "b"),
        ):
            recording = record(args.folder / name, home, compiled)
            print(
                f"{name}: {', '.join(recording.steps)}; load {os.getloadavg()[0]:.1f}", flush=True
            )


if __name__ == "__main__":
    main()
