"""The demo library in a real browser: listen, find, remove, put together, bring in."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_wav
from tests.walk import demo_folder
from tests.web.browsing import Visit, find, serve, watch
from tests.web.conftest import SR, make_stroke

pytestmark = [pytest.mark.browser, pytest.mark.slow]
N_MORE = 300  # hits to bring in: long enough to listen meanwhile
BITS_16 = 4 * 2.0**-15  # rounding, in shares of the peak of what was turned down


@pytest.fixture
def day(browser):
    """A page over a copy of the demo library, its folder and its store."""
    with demo_folder() as folder:
        store = folder / "drums.sqlite"
        with Catalog.open(store) as catalog:
            catalog.scan([folder / "recordings"])
        with serve(store) as address, watch(browser, address) as visit:
            yield visit, folder / "recordings", store


def sounds(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*.*")}


def play(visit: Visit, act) -> int:
    """Do something that plays, and give the hit that began to sound."""
    before = visit.starts
    act()
    visit.until(f"__audition.engine.nStarts > {before}")
    return visit.get("__audition.engine.lastStart.id")


def test_listening_and_finding(day):
    visit, _, store = day
    towel = find(store, "SN brass towel soft 2")
    visit.get(f"__audition.map.choose({towel})")
    visit.until(f"__audition.panel.shownFor === {towel}")
    with Catalog.open(store) as catalog:
        asked = [match.hit_id for match in catalog.alternates(towel, 10)]
        drums = [catalog.hit(hit_id).drum for hit_id in asked[:2]]
        named = {hit.id for hit in catalog.hits() if "towel" in hit.name.casefold()}
    assert drums == ["SN brass towel"] * 2
    visit.page.locator("canvas.front").focus()
    assert play(visit, lambda: visit.page.keyboard.press("1")) == asked[0]
    assert play(visit, lambda: visit.page.keyboard.press("2")) == asked[1]
    visit.page.get_by_label("Find by words").first.fill("towel")
    visit.page.get_by_label("Find by words").first.press("Enter")
    visit.page.get_by_text(re.compile(rf"^{len(named)} hits of 287")).wait_for()


def test_what_is_there_twice_goes_and_all_of_it_comes_back(day):
    visit, folder, store = day
    before = sounds(folder)
    visit.open_part("Copies")
    visit.page.get_by_text("29 recordings with 30 further files").wait_for()
    visit.press(visit.page.get_by_role("button", name="Select all certain copies"))
    ready = visit.page.get_by_role("button", name=re.compile(r"Set \d+ files aside"))
    ready.wait_for()
    n_picked = int(re.search(r"\d+", ready.inner_text()).group())
    assert n_picked >= 20
    visit.press(ready)
    visit.press(visit.page.get_by_role("button", name="Yes, set aside"))
    visit.page.get_by_text(f"{n_picked} files set aside").wait_for()
    left = sounds(folder)
    assert len(left) == len(before) - n_picked
    assert left.items() <= before.items()
    with Catalog.open(store) as catalog:
        aside = [hit.path.read_bytes() for hit in catalog.hits(states=("aside",))]
    assert sorted(aside) == sorted(before[name] for name in before.keys() - left.keys())
    visit.press(visit.page.get_by_role("button", name=f"Restore all ({n_picked})"))
    visit.page.get_by_text(f"Undone for {n_picked} hits").wait_for()
    assert sounds(folder) == before


def test_a_kit_from_several_sessions_is_struck_and_handed_over(day, tmp_path):
    visit, _, store = day
    snare, kick = find(store, "SN brass towel hard 1"), find(store, "BD wood hard 1")
    for hit_id in (snare, kick):
        visit.get(f"__audition.map.choose({hit_id})")
        visit.until(f"__audition.panel.shownFor === {hit_id}")
        visit.page.get_by_role("button", name="Put in kit").click()
        visit.until(f"__audition.kitSession.slots.some(s => s.hits[0].id === {hit_id} && s.locked)")
    visit.open_part("Kit")
    visit.press(visit.page.get_by_role("button", name="Fill the rest"))
    visit.until("__audition.kitSession.slots.length >= 8")
    kit = visit.get("__audition.kitSession.slots.map(s => [s.slot, s.hits[0].id])")
    assert dict(kit)["snare"] == snare
    assert dict(kit)["kick"] == kick
    visit.page.locator(".large .pad").first.focus()
    assert play(visit, lambda: visit.page.keyboard.press("s")) == snare
    target = tmp_path / "handed over"
    field = visit.page.get_by_label("New folder for the kit")
    field.fill(str(target))
    field.press("Enter")
    visit.press(visit.page.get_by_role("button", name="Write the folder"))
    visit.page.get_by_text("written to").wait_for()
    (sfz,) = target.rglob("*.sfz")
    names = set(re.findall(r"sample=(\S.*\.\w+)", sfz.read_text()))
    written = [sfz.parent / name for name in names]
    assert len(written) == len(kit)
    with Catalog.open(store) as catalog:
        source = catalog.audio(snare).samples
    loudest = np.abs(source).max()
    same = [
        out
        for out in (decode_file(path).samples for path in written)
        if out.shape == source.shape
        and np.allclose(out / np.abs(out).max(), source / loudest, atol=BITS_16)
    ]
    assert len(same) == 1


def test_a_scan_goes_on_while_one_listens(day, tmp_path):
    visit, _, store = day
    more = tmp_path / "new evening"
    more.mkdir()
    for number in range(N_MORE):
        wave = make_stroke(("kick", "snare", "tom")[number % 3], 1000 + number)
        (more / f"hit_{number:03d}.wav").write_bytes(encode_wav(wave, sr=SR))
    (more / "broken.wav").write_bytes(b"RIFF")
    visit.open_part("Recordings")
    field = visit.page.get_by_role("textbox", name="Folder with recorded hits")
    field.fill(str(more))
    visit.press(visit.page.get_by_role("button", name="Scan", exact=True))
    visit.page.get_by_text(re.compile(r"Scanning|measured|Looking for files")).first.wait_for()
    visit.open_part("Listen")
    chosen = find(store, "BD wood hard 1")
    visit.get(f"__audition.map.choose({chosen})")
    visit.page.locator("canvas.front").focus()
    assert play(visit, lambda: visit.page.keyboard.press("Space")) == chosen
    visit.page.get_by_text(f"{287 + N_MORE} hits on the map").wait_for()
    visit.open_part("Recordings")
    visit.page.get_by_text("broken").first.wait_for(state="attached")
    shutil.rmtree(more)
    with Catalog.open(store) as catalog:
        assert len(catalog.hits()) == 287 + N_MORE
