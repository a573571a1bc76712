"""A day of work with the demo library in a real browser: search, clean up, build a kit, scan."""

from __future__ import annotations

import re

import numpy as np
import pytest

from catalog import Catalog
from catalog.audio.decode import decode_file
from tests.web.conftest import make_stroke, write_stroke
from tests.web.visits import find, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
N_MORE = 300  # hits to scan: enough that the scan lasts while hits are played
BITS_16 = 4 * 2.0**-15  # rounding, relative to the peak of a hit whose level was lowered


def is_same_audio(samples: np.ndarray, source: np.ndarray) -> bool:
    return samples.shape == source.shape and np.allclose(
        samples / np.abs(samples).max(), source / np.abs(source).max(), atol=BITS_16
    )


def test_a_day_of_work_with_the_demo_library(browser, demo, tmp_path):
    store = demo.store
    with serve(store) as address, watch(browser, address) as visit:
        page, keys = visit.page, visit.page.keyboard

        # Alternates of a hit, and a search by words.
        towel = find(store, "SN brass towel soft 2")
        visit.show(towel)
        with Catalog.open(store) as catalog:
            alternates = [match.hit_id for match in catalog.alternates(towel, 10)]
            drums = [catalog.hit(hit_id).drum for hit_id in alternates[:2]]
            n_hits = len(catalog.hits())
            n_named = sum("towel" in hit.name.casefold() for hit in catalog.hits())
        assert drums == ["SN brass towel"] * 2
        page.mouse.click(5, 5)  # browsers play only after a click
        page.locator("canvas.front").focus()
        assert [visit.play(lambda k=k: keys.press(k)) for k in "12"] == alternates[:2]
        page.get_by_label("Find by words").first.fill("towel")
        page.get_by_label("Find by words").first.press("Enter")
        page.get_by_text(f"{n_named} of {n_hits} hits").wait_for()

        # Each microphone of a stroke is played, with its level beside it.
        with Catalog.open(store) as catalog:
            stroke = next(hit for hit in catalog.hits() if len(hit.microphones) == 3)
        visit.show(stroke.id)
        group = page.get_by_role("group", name="Microphones")
        for mic in stroke.microphones:
            press = group.get_by_role("button", name=mic.name, exact=True)
            assert visit.play(lambda press=press: press.click()) == mic.hit_id
            assert press.get_attribute("aria-pressed") == "true"
        assert group.locator("[aria-pressed=true]").count() == 1
        level = f"{stroke.microphones[1].level_db:.1f} dB".replace("-", "−")
        assert level in group.inner_text()

        # Copies are set aside, and all of them come back.
        before = demo.files()
        visit.open_part("Duplicates")
        visit.until("__audition.queue.queue.groups.length === 28")
        visit.press_named("Accept all certain")
        ready = page.get_by_role("button", name=re.compile(r"Set \d+ files aside"))
        n_picked = int(re.search(r"\d+", ready.inner_text()).group())
        assert n_picked == 30
        ready.click()
        page.get_by_text(f"{n_picked} files set aside").wait_for()
        left = demo.files()
        assert len(left) == len(before) - n_picked
        assert left.items() <= before.items()
        with Catalog.open(store) as catalog:
            aside = [hit.path.read_bytes() for hit in catalog.hits(states=("aside",))]
        assert sorted(aside) == sorted(before[path] for path in before.keys() - left.keys())
        visit.open_part("History")
        visit.press_named(f"Restore all ({n_picked})")
        page.get_by_text(f"Undone for {n_picked} hits").wait_for()
        assert demo.files() == before

        # A kit from several sessions is filled around two chosen hits, played and exported.
        snare, kick = find(store, "SN brass towel hard 1"), find(store, "BD wood hard 1")
        visit.open_part("Find")
        slots = "__audition.kitSession.slots"
        for hit_id in (snare, kick):
            visit.show(hit_id)
            page.get_by_role("button", name="Put in kit").click()
            visit.until(f"{slots}.some(s => s.hits[0].id === {hit_id} && s.locked)")
        visit.open_part("Kit")
        visit.press_named("Fill the rest")
        visit.until(f"{slots}.length >= 8")
        kit = dict(visit.get(f"{slots}.map(s => [s.slot, s.hits[0].id])"))
        assert (kit["snare"], kit["kick"]) == (snare, kick)
        page.locator(".slot-card .pad").first.focus()
        assert visit.play(lambda: keys.press("s")) == snare
        target = tmp_path / "exported"
        visit.press_named("Export", exact=True)
        page.get_by_label("New folder for the kit").fill(str(target))
        page.get_by_label("New folder for the kit").press("Enter")
        visit.press_named("Write the folder")
        page.get_by_role("region", name="Export").get_by_text("written to").wait_for()
        (sfz,) = target.rglob("*.sfz")
        samples = set(re.findall(r"sample=(\S.*\.\w+)", sfz.read_text()))
        assert len(samples) == len(kit)
        with Catalog.open(store) as catalog:
            source = catalog.audio(snare).samples
        written = [decode_file(sfz.parent / name).samples for name in samples]
        assert sum(is_same_audio(audio, source) for audio in written) == 1

        # A new folder is scanned while hits are played.
        more = tmp_path / "new evening"
        more.mkdir()
        for number in range(N_MORE):
            wave = make_stroke(("kick", "snare", "tom")[number % 3], 1000 + number)
            write_stroke(more / f"hit_{number:03d}.wav", wave)
        (more / "broken.wav").write_bytes(b"RIFF")
        visit.open_part("Bring in")
        page.get_by_role("textbox", name="Folder with recorded hits").fill(str(more))
        visit.press_named("Scan", exact=True)
        page.get_by_text(re.compile(r"Scanning|measured|Looking for files")).first.wait_for()
        visit.open_part("Find")
        visit.show(kick)
        page.locator("canvas.front").focus()
        assert visit.play(lambda: keys.press("Space")) == kick
        page.get_by_label("Find by words").first.fill("")
        page.get_by_label("Find by words").first.press("Enter")
        page.get_by_text(f"{n_hits + N_MORE} hits").wait_for()
        visit.open_attention("Skipped files")
        page.get_by_text("broken").first.wait_for(state="attached")
        with Catalog.open(store) as catalog:
            assert len(catalog.hits()) == n_hits + N_MORE
