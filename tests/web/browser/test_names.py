"""Hostile names in every part of the page in a real browser: they must stay text.

What such names try is common practice (no source): markup, attributes, line breaks, characters
that reverse text, markdown.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from catalog import Catalog, Kit
from tests.services.test_takes import take_bytes
from tests.web.conftest import make_stroke, write_stroke
from tests.web.visits import Visit, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]

IMAGE = "<img src=x onerror=window.hurt=1>"
DRAWING = "<svg onload=window.hurt=2>"
NAMES = {
    f"kick {IMAGE}": ("kick", 0),
    f"snare \"q\" 'r' onmouseover=window.hurt=3 {DRAWING}": ("snare", 1),
    "hat_closed one\ntwo\u2028three <b>": ("hat_closed", 2),
    "tom \u202eevaw\u202c [a](http:x) ![b](x) $c$ :red[d] `e` \u2067f": ("tom", 3),
}
FOLDER = f"Attic {IMAGE} \u202ecitta\n{DRAWING}"
KIT = f"Loft {IMAGE}"
# Every element, also those below the shadow roots of the views.
ALL = """(() => { const all = [], walk = root => root.querySelectorAll('*').forEach(n => {
  all.push(n); if (n.shadowRoot) walk(n.shadowRoot); }); walk(document); return all; })()"""
ALIVE = f"""{ALL}.filter(n => n.matches('img[src=x], svg[onload], [onmouseover], [onerror], b.b') ||
  n.matches('a[href*="http:x"]') || n.matches('.katex')).length"""
SHOWN = f"""{ALL}.filter(n => !n.matches('style, script')).map(n => [...n.childNodes]
  .filter(c => c.nodeType === 3).map(c => c.data).join('')).join('\\n')"""
SPOKEN = f"{ALL}.map(n => n.getAttribute('aria-label') || n.title || '').join('\\n')"
TURNING = "\u202e\u2067\u2066\u2028"


def write_hostile(folder: Path) -> None:
    place = folder / FOLDER
    place.mkdir(parents=True)
    for name, (role, seed) in NAMES.items():
        for tail in ("", " copy"):
            write_stroke(place / f"{name}{tail}.wav", make_stroke(role, seed))
    (place / f"broken {IMAGE}.wav").write_bytes(b"")
    (place / f"take {IMAGE}.wav").write_bytes(take_bytes())


@pytest.fixture
def hostile(browser, tmp_path) -> Iterator[Visit]:
    write_hostile(tmp_path / "home")
    store = tmp_path / "drums.sqlite"
    with Catalog.open(store) as catalog:
        catalog.scan([tmp_path / "home" / FOLDER], n_jobs=1)
        ids = {hit.name: hit.id for hit in catalog.hits()}
        kick, copy = (ids[f"kick {IMAGE}{tail}"] for tail in ("", " copy"))
        catalog.kits.save(Kit(slots={"kick": (kick,), "kick_2": (copy,)}), KIT)
        for hit_id in ids.values():
            catalog.context.store.hits.set_role(hit_id, "wood", confidence=0.1, source="sound")
    with serve(store, HOME=str(tmp_path / "home")) as address, watch(browser, address) as visit:
        yield visit


def check(visit: Visit, *names: str) -> None:
    """Every name can be read, none has become part of the page."""
    for name in names:
        visit.until(f"{SHOWN}.includes({json.dumps(name)})")
    text = visit.get(SHOWN)
    assert not set(TURNING) & set(text + visit.get(SPOKEN))
    assert visit.get(ALIVE) == 0
    assert visit.get("window.hurt === undefined")


def test_hostile_names_stay_text_in_every_part(hostile):
    page = hostile.page
    for hit_id in hostile.get("[...__audition.map.points.ids]"):
        hostile.show(hit_id)
        page.mouse.move(400 + hit_id, 400)
        check(hostile)
    page.get_by_label("Find by words").fill(IMAGE)
    page.get_by_text("of 11 hits").wait_for()
    check(hostile, IMAGE)

    hostile.open_attention("Skipped files (1)")
    page.get_by_text("After repairing them").wait_for()
    check(hostile, IMAGE, DRAWING)
    hostile.press(page.get_by_text("Folders and scan"))
    page.get_by_text("Choose the folder").click()
    page.get_by_role("button", name="Attic").wait_for()
    check(hostile, IMAGE, DRAWING, "·citta·")

    hostile.open_part("Kit")
    page.get_by_role("button", name="Saved kits").click()
    page.get_by_role("button", name="Open Loft").click()
    page.get_by_text(f"kick {IMAGE}").filter(visible=True).first.wait_for()
    check(hostile, f"kick {IMAGE}")

    hostile.open_part("Duplicates")
    hostile.until("__audition.queue.queue.groups.length === 4")
    check(hostile, IMAGE, DRAWING, "one·two·three <b>", "·evaw· [a](http:x) ![b](x) $c$")
    for _ in range(4):
        check(hostile)
        page.keyboard.press("ArrowRight")
    hostile.press_named("Accept all certain")
    hostile.press_named("Set 4 files aside")
    page.get_by_label("Set these aside as well").check()
    check(hostile, KIT)
    hostile.press_named("Set aside", exact=True)
    page.get_by_text("4 files set aside").wait_for()
    hostile.open_part("History")
    page.get_by_text("Restore all (4)").wait_for()
    check(hostile, DRAWING, "·evaw·")
