"""Measure how soon a hit plays and is shown in headless Chromium: `page.py [N_HITS [FOLDER]]`.

Needs chromium and playwright. The store is made from 64 strokes of FOLDER, or from synthetic ones;
see `made_library`. "press to start" is the time from the browser's own time stamp of the press to
`source.start()`; the latency of the sound card comes on top. An empty Streamlit page is timed in
the same run.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path

from made_library import make_library

ROOT = Path(__file__).parents[2]
N_PRESSES, N_AUDITIONS = 30, 2000
CHROMIUM_ARGS = [
    "--no-sandbox", "--disable-quic", "--disable-background-networking", "--no-first-run",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
SERVE = "import sys; from catalog.web import open_page; open_page(sys.argv[1], browser=False)"
EMPTY = """
import sys, uvicorn, streamlit as st
from catalog.web.server.start import bind_socket
sock = bind_socket()
app = st.App(sys.argv[1])
print(f"http://127.0.0.1:{sock.getsockname()[1]}/", flush=True)
uvicorn.Server(uvicorn.Config(app, log_config=None, ws="websockets-sansio")).run(sockets=[sock])
"""


def start(code: str, argument: Path) -> tuple[subprocess.Popen[str], str]:
    """Start a server and return it with its address."""
    env = os.environ | {"PYTHONPATH": str(ROOT), "CATALOG_PAGE_PROBE": "1"}
    server = subprocess.Popen(
        [sys.executable, "-c", code, str(argument)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=env,
    )  # fmt: skip
    address = next(word for word in server.stdout.readline().split() if word.startswith("http"))
    for _ in range(100):
        health = urllib.parse.urljoin(address, "/_stcore/health")
        with contextlib.suppress(OSError), urllib.request.urlopen(health, timeout=5):
            break
        time.sleep(0.1)
    return server, address


def print_row(task: str, values: list[float], target: str, unit: str = "ms") -> None:
    """Print p50, p95 and the target."""
    if not values:
        print(f"{task:<46} not measured")
        return
    ordered = sorted(values)
    p95 = ordered[min(len(ordered) - 1, round(0.95 * (len(ordered) - 1)))]
    p50 = statistics.median(ordered)
    print(f"{task:<46} p50 {p50:8.1f}  p95 {p95:8.1f} {unit}  n={len(ordered):<3} target {target}")


def time_empty(browser, folder: Path) -> list[float]:
    """Return the times from navigation to the heading of an empty page, warm, in ms."""
    script = folder / "empty.py"
    script.write_text("import streamlit as st\nst.title('empty')\n")
    server, address = start(EMPTY, script)
    times = []
    for _ in range(4):
        page = browser.new_page()
        began = time.perf_counter()
        page.goto(address)
        page.get_by_role("heading", name="empty").wait_for()
        times.append(1000 * (time.perf_counter() - began))
        page.close()
    server.terminate()
    server.wait()
    return times[1:]


SHOWN = "globalThis.__audition?.map.nFrames > 0 && __audition.state.rows.length > 0"


def time_first_picture(browser, address: str) -> list[float]:
    """Return the times from navigation to list and map in ms; the first one is cold."""
    times = []
    for _ in range(4):
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        began = time.perf_counter()
        page.goto(address)
        page.wait_for_function(f"() => {SHOWN}", polling=20)
        times.append(1000 * (time.perf_counter() - began))
        page.close()
    return times


WATCH = """() => {
  for (const kind of ['pointerup', 'keydown']) document.addEventListener(kind,
    e => { globalThis.__pressed = e.timeStamp; }, { capture: true });
}"""
SPOTS = """n => { const m = __audition.map, all = [...m.points.ids].sort(() => Math.random() - .5);
  return all.map(id => [id, ...m.screenOf(id)]).filter(([id, x, y]) =>
    x > 20 && y > 20 && x < m.box.clientWidth - 20 && y < m.box.clientHeight - 20).slice(0, n); }"""


FORGET = "for (const k of [...__audition.engine.cache.keys()]) __audition.engine.cache.remove(k)"


def time_press(page, trigger) -> float | None:
    """Trigger playback and return the time from the press to the start in ms."""
    before = page.evaluate("__audition.engine.nStarts")
    trigger()
    page.wait_for_function(f"() => __audition.engine.nStarts > {before}", polling=5)
    return page.evaluate("__audition.engine.lastStart.at - __pressed")


def time_presses(page) -> None:
    """Time cold clicks, decoded repeats, prefetched steps, and the lists shown after them."""
    canvas = page.locator("canvas.front")
    box = canvas.bounding_box()
    page.evaluate(WATCH)
    page.get_by_label("play under the pointer").uncheck()
    cold, shown = [], []
    for _, x, y in page.evaluate(SPOTS, N_PRESSES):
        page.evaluate("__audition.panel.shownAt = 0")
        page.evaluate(FORGET)
        cold.append(time_press(page, lambda x=x, y=y: page.mouse.click(box["x"] + x, box["y"] + y)))
        page.wait_for_function("() => __audition.panel.shownAt > 0", polling=5)
        shown.append(page.evaluate("__audition.panel.shownAt - __pressed"))
        page.wait_for_timeout(500)
    canvas.focus()
    decoded = [time_press(page, lambda: page.keyboard.press("Space")) for _ in range(N_PRESSES)]
    ahead = []
    for k in range(N_PRESSES):
        page.wait_for_timeout(700)
        way = ("ArrowRight", "ArrowUp", "ArrowLeft", "ArrowDown")[k % 4]
        ahead.append(time_press(page, lambda way=way: page.keyboard.press(way)))
    print_row("press to start, decoded", decoded, "5 ms p50")
    print_row("press to start, prefetched", ahead, "15 ms p50")
    print_row("press to start, cold", cold, "60 ms p50, 120 ms p95")
    print_row("choose to ten alternates shown", shown, "150 ms p50")


PAN = """async () => { const m = __audition.map, times = [];
  m.view.zoom = 1.5;
  for (let k = 0; k < 60; k++) {
    m.view.cx = .5 + .1 * Math.sin(k / 8);
    const began = performance.now(), frames = m.nFrames;
    m.draw();
    while (m.nFrames === frames) await new Promise(requestAnimationFrame);
    times.push(performance.now() - began);
  }
  m.showAll(); return times; }"""
ZOOM = """async () => { const m = __audition.map, times = [];
  for (let k = 0; k < 60; k++) {
    const began = performance.now(), frames = m.nFrames;
    m.zoom(k < 30 ? 1.12 : 1 / 1.12, 300, 200);
    while (m.nFrames === frames) await new Promise(requestAnimationFrame);
    times.push(performance.now() - began);
  }
  m.showAll(); return times; }"""
MANY = """async n => { const e = __audition.engine, m = __audition.map;
  for (let k = 0; k < n; k++) await e.play(m.hitOf(m.points.ids[k % m.points.n]));
  return [e.cache.bytes / 2 ** 20, (performance.memory?.usedJSHeapSize ?? 0) / 2 ** 20]; }"""


# Changes of the question and of the order, each undone by the next run.
CHANGES = {
    "filter by a role": "s => s.toggle('roles', 'snare')",
    "sort by length": "s => s.change({ sort: { by: 'length', down: !s.sort.down } })",
    "sort by name": "s => s.change({ sort: { by: 'name', down: !s.sort.down } })",
}
TIME_CHANGE = """async () => { const s = __audition.state, times = [], act = CHANGE;
  for (let k = 0; k < 12; k++) {
    await new Promise(requestAnimationFrame);
    const began = performance.now();
    act(s);
    await new Promise(done => requestAnimationFrame(() => setTimeout(done)));
    times.push(performance.now() - began);
  }
  s.ask({ roles: [] }); s.change({ sort: { by: '', down: false } });
  return times; }"""
SCROLL = """async () => { const all = [], walk = root => root.querySelectorAll('*').forEach(n => {
    if (n.getAttribute('aria-label') === 'Hits') all.push(n);
    if (n.shadowRoot) walk(n.shadowRoot); });
  walk(document);
  const [grid] = all, times = [];
  for (let k = 0; k < 90; k++) {
    const began = performance.now();
    grid.scrollTop += 240;
    await new Promise(requestAnimationFrame);
    times.push(performance.now() - began);
  }
  grid.scrollTop = 0; return times; }"""
SHIFT = """() => new Promise(done => { let sum = 0;
  new PerformanceObserver(list => { for (const entry of list.getEntries()) sum += entry.value; })
    .observe({ type: 'layout-shift', buffered: true });
  setTimeout(() => done(sum), 300); })"""


def time_rest(page) -> list[float]:
    """Return the times from a pointer that comes to rest on a row to its sound in ms."""
    rows = page.get_by_role("grid", name="Hits").locator("[data-hit]")
    page.get_by_label("play under the pointer").check()
    page.evaluate(WATCH.replace("['pointerup', 'keydown']", "['pointermove']"))
    times = []
    for k in range(2, 12):
        page.wait_for_timeout(300)
        times.append(time_press(page, lambda k=k: rows.nth(k).hover()))
    page.get_by_label("play under the pointer").uncheck()
    return times


def main() -> None:
    """Print all measurements."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("n_hits", type=int, nargs="?", default=10_000, metavar="N_HITS")
    parser.add_argument("recordings", type=Path, nargs="?", metavar="FOLDER")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as place, sync_playwright() as driver:
        store = make_library(Path(place), args.n_hits, args.recordings)
        browser = driver.chromium.launch(executable_path="/usr/bin/chromium", args=CHROMIUM_ARGS)
        print(f"{args.n_hits:,} hits")
        empty = time_empty(browser, Path(place))
        server, address = start(SERVE, store)
        first = time_first_picture(browser, address)
        cold, *over = [value - statistics.median(empty) for value in first]
        print_row("empty page, warm", empty, "-")
        print_row("list and map over the empty page, fresh server", [cold], "-")
        print_row("list and map over the empty page, warm", over, "2000 ms; 3000 ms at 100,000")
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        received: list[int] = []
        page.on(
            "websocket", lambda ws: ws.on("framereceived", lambda data: received.append(len(data)))
        )
        page.goto(address)
        page.wait_for_function(f"() => {SHOWN}", polling=20)
        page.wait_for_timeout(1500)
        shift = page.evaluate(SHIFT)
        print(f"layout shift on load: {shift:.3f}  target 0.02")
        for name, change in CHANGES.items():
            print_row(name, page.evaluate(TIME_CHANGE.replace("CHANGE", change)), "100 ms")
        print_row("frame while scrolling the list", page.evaluate(SCROLL), "17 ms")
        print_row("frame while panning", page.evaluate(PAN), "33 ms")
        print_row("frame while zooming", page.evaluate(ZOOM), "33 ms")
        page.mouse.click(640, 20)  # browsers play only after a click
        print_row("rest on a row to start", time_rest(page), "90 ms p50")
        received.clear()
        time_presses(page)
        each = sum(received) / 2 / N_PRESSES / 1000
        print(f"websocket, each of {2 * N_PRESSES} choices: {each:.1f} kB  target 10 kB")
        kept, heap = page.evaluate(MANY, N_AUDITIONS)
        print(f"{N_AUDITIONS} auditions: {kept:.0f} MB decoded audio, {heap:.0f} MB script heap")
        browser.close()
        server.terminate()
        server.wait()


if __name__ == "__main__":
    main()
