"""The cut of a take in a real browser: ends dragged and typed, heard from where one presses."""

from __future__ import annotations

import pytest

from catalog import Catalog
from tests.services.test_takes import take_bytes
from tests.web.browsing import Visit

pytestmark = [pytest.mark.browser, pytest.mark.slow]
CUT_SHOWN = "globalThis.__cut?.state.detail && globalThis.__cut.state.overview"
PIXEL_S = 0.004  # a pixel of the near wave is 1 to 3 ms wide


@pytest.fixture
def take(own):
    path = own.folder / "long take.wav"
    path.write_bytes(take_bytes())
    with Catalog.open(own.store) as catalog:
        catalog.scan([own.folder], n_jobs=1)
    return path


@pytest.fixture
def cut(take, own_visit) -> Visit:
    own_visit.open_part("Recordings")
    own_visit.page.get_by_text("Show the regions").click()
    own_visit.until(CUT_SHOWN)
    return own_visit


def spans(store, path):
    with Catalog.open(store) as catalog:
        return [(hit.start, hit.stop, hit.sr) for hit in catalog.takes.regions(path)]


def settle(visit, condition):
    visit.until(f"(() => {{ const s = __cut.state.data.strokes; return {condition} }})()")


def test_an_end_is_dragged_and_what_changed_is_heard(cut, own, take):
    start, stop, sr = spans(own.store, take)[0]
    box = cut.box(cut.page.locator("canvas.detail"))
    x = cut.get("__cut.xOf(__cut.state.ends[1])")
    before = cut.get("__cut.engine.nStarts")
    cut.page.mouse.move(box["x"] + x - 3, box["y"] + 60)
    cut.page.mouse.down()
    cut.page.mouse.move(box["x"] + x - 80, box["y"] + 60, steps=5)
    asked = cut.get("__cut.state.ends[1]")
    assert asked < stop
    cut.page.mouse.up()
    settle(cut, f"s[0].stop === {asked}")
    assert spans(own.store, take)[0] == (start, asked, sr)
    cut.until(f"__cut.engine.nStarts === {before + 1}")


def test_an_end_stops_at_its_neighbour(cut, own, take):
    first, second = spans(own.store, take)[:2]
    field = cut.page.get_by_label("End, seconds")
    field.fill("3.2")
    field.press("Enter")
    settle(cut, f"s[0].stop === {second[0]}")
    assert spans(own.store, take)[0] == (first[0], second[0], first[2])


def test_pressing_on_the_wave_plays_from_there_and_parts_there(cut, own, take):
    (start, stop, sr), *others = spans(own.store, take)
    middle = (start + stop) // 2
    x = cut.get(f"__cut.xOf({middle})")
    cut.page.locator("canvas.detail").click(position={"x": x, "y": 80})
    cut.until("__cut.engine.lastStart?.from > 0")
    assert cut.get("__cut.engine.lastStart.from") == pytest.approx(
        (middle - start) / sr, abs=PIXEL_S
    )
    cut.page.get_by_role("button", name="Split here").click()
    settle(cut, f"s.length === {len(others) + 2}")
    parted = spans(own.store, take)
    assert parted[0][1] == parted[1][0]
    assert parted[0][1] / sr == pytest.approx(middle / sr, abs=PIXEL_S)
    cut.page.get_by_role("button", name="Merge with the next").click()
    settle(cut, f"s.length === {len(others) + 1}")
    assert spans(own.store, take)[0] == (start, stop, sr)


def test_arrows_go_from_stroke_to_stroke_and_the_cut_is_found_again(cut, own, take):
    before = spans(own.store, take)
    cut.page.locator("canvas.detail").click(position={"x": 2, "y": 80})  # before the stroke
    cut.page.locator(".view", has=cut.page.locator("canvas.detail")).focus()
    cut.page.keyboard.press("ArrowRight")
    cut.until("__cut.state.index === 1")
    cut.page.get_by_text("Stroke 2 of 3").wait_for()
    field = cut.page.get_by_label("Start, seconds")
    field.fill(str(round(before[1][0] / before[1][2] + 0.1, 3)))
    field.press("Enter")
    settle(cut, f"s[1].start > {before[1][0]}")
    assert cut.get("__cut.state.index") == 1
    cut.page.get_by_role("button", name="Reset the regions").click()
    settle(cut, f"s[1].start === {before[1][0]}")
    assert spans(own.store, take) == before
